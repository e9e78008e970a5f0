"""What testing companies see: grants of assemblies, and a role and policies that hold them.

The running service goes on as before: it never takes the new role. Adding the columns rewrites nothing; building the index keeps writers
of reports waiting for one pass over the reports, none of which belongs to a company yet.
"""

from pathlib import Path

from alembic import op
from sqlalchemy.util import await_only

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Run the SQL through the driver itself, since one prepared statement cannot hold many."""
    sql = Path(__file__).with_suffix(".sql").read_text(encoding="utf-8")
    await_only(op.get_bind().connection.driver_connection.execute(sql))


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with what is new."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
