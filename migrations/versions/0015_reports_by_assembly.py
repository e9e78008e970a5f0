"""An index that lists an assembly's reports without reading them, in place of one that only finds them.

The yearly summary reads what became of each failure from it. The running service needs nothing of it and uses what is there. Building
them keeps writers waiting for as long as one pass over the tables takes.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, since one prepared statement cannot hold many."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with what is new."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
