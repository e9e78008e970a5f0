"""Webhooks: subscriptions to the change feed, what was delivered of it, and each attempt.

New tables only; the running service needs nothing of them, and nothing that is there is locked for long.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, since one prepared statement cannot hold many."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the tables."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
