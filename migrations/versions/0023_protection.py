"""An index of all standings whose protection is not full, the unknown ones too, so that their list does not go through the register.

The running service needs nothing of it; what it read from the index that goes, it reads from the one in its place. Building it keeps writers of
standings waiting for as long as one pass over them takes.
"""

from alembic import op

revision = "0023"
down_revision = "0022"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Build the index; the one that held only `lost` and `degraded` goes, as this holds all that it held."""
    op.execute(
        "CREATE INDEX standing_not_full ON record.standing (utility_id, protection, assembly_id) WHERE protection <> 'full'"
    )
    op.execute("DROP INDEX record.standing_unprotected")


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the indexes."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
