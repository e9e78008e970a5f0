"""Reports can be voided: a decision on a report of any acceptance, after which it counts as no test.

The running service neither voids nor reads voids; it goes on as before.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0027"
down_revision = "0026"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, as the other revisions do."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service makes no voids."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
