"""A report's protection can be `insufficient`: the parts do their work, but the kind is not for the hazard or use.

The running service writes none of it and reads what it does not know as text. Checking the rows that are there takes one pass that lets
writers on.
"""

from alembic import op

revision = "0025"
down_revision = "0024"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Replace the check by a wider one."""
    op.execute(
        "ALTER TABLE record.report DROP CONSTRAINT report_protection_check, ADD CONSTRAINT report_protection_check"
        " CHECK (protection IN ('full', 'degraded', 'insufficient', 'unknown', 'lost')) NOT VALID"
    )
    op.execute("ALTER TABLE record.report VALIDATE CONSTRAINT report_protection_check")


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the wider check."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
