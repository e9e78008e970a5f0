"""Records that deserve a second look, what people decided of them, and what an assembly's identity on record was before it was changed.

The running service needs none of it; from now on each change of a serial number or size that it makes is kept too.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, since one prepared statement cannot hold many."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the tables."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
