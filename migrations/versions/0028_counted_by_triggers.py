"""The counts of a utility's log, and its feed, are written by the database's own triggers and by nobody else.

A running service records as before: what it calls has kept its name and its parameters. It cannot restore an export until it is replaced.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0028"
down_revision = "0027"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, as the other revisions do."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
