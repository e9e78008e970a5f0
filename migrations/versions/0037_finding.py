"""Words of names, addresses and numbers, flags of reports, and the indexes by which both, and the reports, are found.

The running service writes words and flags through triggers. The tables of testers and gauges are written again for their generated columns.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0037"
down_revision = "0036"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, as the other revisions do."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the column."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
