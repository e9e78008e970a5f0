"""Indexes by which an import finds premises by the utility's reference, and assemblies by their serial number.

The running service needs nothing of them. Building each keeps writers of its table waiting for one pass over it.
"""

from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Build the indexes."""
    op.execute("CREATE INDEX premises_by_reference ON record.premises (utility_id, reference) WHERE reference IS NOT NULL")
    op.execute(
        "CREATE INDEX assembly_by_serial_number ON record.assembly (utility_id, serial_number) WHERE serial_number IS NOT NULL"
    )


def downgrade() -> None:
    """Refuse: migrations only expand; an older service lives with the indexes."""
    raise NotImplementedError("Migrations only expand. Restore a backup instead.")
