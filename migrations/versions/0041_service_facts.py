"""When an assembly was in service is written down in the log of facts.

The running service records as before.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0041"
down_revision = "0040"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, as the other revisions do."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the log."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
