"""Columns and indexes for lists of assemblies by area and by who tested last.

The columns are generated, so that a service of the revision before fills them without knowing of them. Adding them rewrites the two tables
under a lock, and building the index keeps writers of reports waiting: a record of millions wants a quiet hour for it.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, since one prepared statement cannot hold many."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the columns."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
