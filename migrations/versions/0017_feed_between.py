"""Whether a group of reports was overtaken is asked of the stretch of the feed in question, and not at all where the feed has not moved."""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, as the other revisions do."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the function."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
