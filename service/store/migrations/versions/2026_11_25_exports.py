"""Bulk exports that were asked for."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25_exports"
down_revision = "2026_11_25_text_search"
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "export",
        sa.Column("id", TEXT, nullable=False),
        sa.Column("caller", TEXT, nullable=False),
        sa.Column("request", TEXT, nullable=False),
        sa.Column("seq", BIG, nullable=False),
        sa.Column("updated", BIG, nullable=False),
        sa.Column("expires", BIG, nullable=False),
        sa.Column("touched", BIG, nullable=False),
        sa.Column("part", sa.Integer(), nullable=False),
        sa.Column("place", TEXT, nullable=False),
        sa.Column("done", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("export_of_caller", "export", ["caller", "expires"], unique=False)
    op.create_index("export_expires", "export", ["expires"], unique=False)
    op.create_table(
        "export_member",
        sa.Column("export", TEXT, nullable=False),
        sa.Column("patient", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("export", "patient"),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "export_file",
        sa.Column("export", TEXT, nullable=False),
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("kind", TEXT, nullable=False),
        sa.Column("type", TEXT, nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("seqs", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("export", "number"),
    )


def downgrade() -> None:
    op.drop_table("export_file")
    op.drop_table("export_member")
    op.drop_table("export")
