"""An index that finds the assemblies of a kind, however few they are among many.

The running service needs nothing of it. Building it keeps whoever registers assemblies waiting for as long as one pass over them takes.
"""

from alembic import op

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Build the index."""
    op.execute("CREATE INDEX assembly_of_kind ON record.assembly (utility_id, kind, id)")


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the index."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
