"""What the law asks of an assembly, the marks that a utility knows it by, and which assembly replaced which.

The running service neither reads nor writes these columns. Adding the generated ones writes the table of assemblies again.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0033"
down_revision = "0032"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, as the other revisions do."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the column."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
