"""Utilities state their own ordinance over their state's rulebook, in versions that are never changed.

A service of before knows no such versions and judges by the state's rulebook alone: replace every process before the first is stated.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0032"
down_revision = "0031"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, as the other revisions do."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
