"""The record and who may use it: the first schema, whole.

Later revisions are small and plain SQL; this one is the schema as it was on the first day, kept in `0001_record.sql`.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL of the first day through the driver itself, since one prepared statement cannot hold many."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: a record of tests is not thrown away by a command."""
    raise NotImplementedError("The first schema holds the record; it is not dropped. Restore a backup instead.")
