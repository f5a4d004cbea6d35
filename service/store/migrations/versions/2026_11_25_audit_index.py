"""No index from rows of the audit log to what they are about: it cost more than it gave."""

from __future__ import annotations

from alembic import op

revision = "2026_11_25_audit_index"
down_revision = "2026_11_25_keepers"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.drop_index("audit_entity_of_event", table_name="audit_entity")


def downgrade() -> None:
    op.create_index("audit_entity_of_event", "audit_entity", ["n"], unique=False)
