"""In whose record earlier versions of a resource lay, where that changed."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25_past_compartments"
down_revision = "2026_11_25_audit"
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "past_compartment",
        sa.Column("rid", BIG, nullable=False),
        sa.Column("vid", sa.Integer(), nullable=False),
        sa.Column("patient", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("rid", "vid", "patient"),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    op.drop_table("past_compartment")
