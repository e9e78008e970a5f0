"""An index of the failing tests alone, where the yearly summary begins to count repairs and unprotected days.

The running service needs nothing of it. Building it keeps writers of reports waiting for as long as one pass over the reports takes.
"""

from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Build the index."""
    op.execute(
        "CREATE INDEX report_failing ON record.report (utility_id, performed_on) INCLUDE (assembly_id, outcome, protection) "
        "WHERE outcome = 'fail' OR initial_outcome = 'fail'"
    )


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the index."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
