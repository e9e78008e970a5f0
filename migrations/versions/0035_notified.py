"""The day on which a customer was sent the notice of a failure, from which some authorities count the days for the repair.

A service of before counts them from the test, the earliest that a notice can be; standings are worked out again as notices are sent.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0035"
down_revision = "0034"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, as the other revisions do."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
