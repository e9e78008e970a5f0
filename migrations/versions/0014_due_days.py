"""Indexes for finding by the due day, and for finding what is still to be sent.

The running service needs nothing of it; its lists by due day take longer until it is replaced. Building the first keeps writers of standings waiting for one pass over them.
"""

from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Build the indexes.

    Two go. One of standings held an expression of the due day, and under row security no condition on an expression is an index's, since it
    might leak. One of notices began with the utility and the state, which a planner that has not yet counted the table takes for as good a
    way to an assembly's notices as the assembly.
    """
    op.execute("CREATE INDEX standing_by_due_day ON record.standing (utility_id, status, due_on, assembly_id)")
    op.execute("CREATE INDEX notice_to_send ON record.notice (utility_id, id) WHERE state IN ('prepared', 'delivery_failed')")
    op.execute("DROP INDEX record.standing_by_status")
    op.execute("DROP INDEX record.notice_by_state")


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the indexes."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
