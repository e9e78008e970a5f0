"""Reports are recorded in one statement that holds the log only while it writes.

New functions and one small index; a service of the revision before works on unchanged. Building the index keeps writers of reports
waiting: a record of millions wants a quiet hour for it.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, since one prepared statement cannot hold many."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the functions."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
