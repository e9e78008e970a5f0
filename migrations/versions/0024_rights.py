"""What the service's database role cannot do: un-revoke a key, make an operator, or keep a head or a tile that is not of the log."""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0024"
down_revision = "0023"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, as the other revisions do."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with these checks."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
