"""Below which FHIR base URL a version was written, so that a new index reads it the same way.

Of what is there already nobody knows: it is read below the base URL of who makes the index.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25_bases"
down_revision = "2026_11_25_audit_index"
branch_labels = None
depends_on = None

TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.add_column("version", sa.Column("base", TEXT, nullable=True))


def downgrade() -> None:
    op.drop_column("version", "base")
