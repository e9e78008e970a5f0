"""What the next report of an assembly rests on is kept with its standing, so that its reports need not be read again."""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0022"
down_revision = "0021"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, as the other revisions do."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the columns."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
