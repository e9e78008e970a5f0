"""Notices: whom to notify, by which schedule, what was prepared and what became of it.

The running service needs nothing of it. The trigger on standings costs a report one look into an index that holds unsent notices only.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, since one prepared statement cannot hold many."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with what is added."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
