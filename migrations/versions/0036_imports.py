"""What each import wrote is kept, so that it can be undone whole until somebody seals it.

The service of before keeps nothing of its imports: what it wrote cannot be undone as a whole.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0036"
down_revision = "0035"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, as the other revisions do."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
