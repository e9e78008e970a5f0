"""The log of reports as a Merkle tree: each report's leaf hash, the tree in tiles, and the heads that were signed.

A service of the revision before leaves `leaf_hash` empty; such rows are hashed when the tree takes them in. Nothing is rewritten.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, since one prepared statement cannot hold many."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the tables."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
