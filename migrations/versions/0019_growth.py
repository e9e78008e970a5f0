"""Indexes that keep the yearly summary and the lists of exceptional standings from growing with the record.

The running service needs nothing of it; what it read from the index that goes, it reads from the one in its place. Building them keeps writers
waiting for as long as one pass over the tables takes.
"""

from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Build the indexes; one of reports goes, as the first holds all that it held."""
    op.execute(
        "CREATE INDEX report_failures ON record.report (utility_id, performed_on) INCLUDE (id, assembly_id, outcome, acceptance, protection) "
        "WHERE outcome = 'fail' OR initial_outcome = 'fail'"
    )
    op.execute("CREATE INDEX standing_exceptional ON record.standing (utility_id, status, assembly_id) WHERE status <> 'current'")
    op.execute("DROP INDEX record.report_failing")


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the indexes."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
