"""What a standing rests on more than before: what each phase of a test left, and the facts of an assembly that decide its suitability.

The running service needs nothing of it, and its reports are read without the new columns. It reads no assembly without a purpose, which
only a newer service registers. Building the indexes keeps writers of reports waiting for as long as one pass over the reports takes.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0026"
down_revision = "0025"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, as the other revisions do."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the columns."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
