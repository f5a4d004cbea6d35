"""The first tables: resources, their versions, the change clock, the search index."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25_first_tables"
down_revision = None
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "change_clock",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("seq", BIG, nullable=False),
        sa.Column("rid", BIG, nullable=False),
        sa.Column("updated", BIG, nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "compartment",
        sa.Column("rid", BIG, nullable=False),
        sa.Column("patient", TEXT, nullable=False),
        sa.Column("type", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("rid", "patient"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "compartment_of_patient", "compartment", ["patient", "type", "rid"], unique=False
    )
    op.create_table(
        "index_date",
        sa.Column("rid", BIG, nullable=False),
        sa.Column("param", sa.Integer(), nullable=False),
        sa.Column("low", BIG, nullable=False),
        sa.Column("high", BIG, nullable=False),
        sa.Column("grp", sa.SmallInteger(), nullable=False),
        sa.PrimaryKeyConstraint("rid", "param", "low", "high", "grp"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "index_date_long",
        "index_date",
        ["param", "high", "rid"],
        unique=False,
        sqlite_where=sa.text("high - low > 86400000000"),
        postgresql_where=sa.text("high - low > 86400000000"),
    )
    op.create_index("index_date_low", "index_date", ["param", "low", "rid"], unique=False)
    op.create_table(
        "index_quantity",
        sa.Column("rid", BIG, nullable=False),
        sa.Column("param", sa.Integer(), nullable=False),
        sa.Column("low", sa.Float(precision=53), nullable=False),
        sa.Column("high", sa.Float(precision=53), nullable=False),
        sa.Column("unit_code", TEXT, nullable=False),
        sa.Column("unit_system", TEXT, nullable=False),
        sa.Column("unit", TEXT, nullable=False),
        sa.Column("grp", sa.SmallInteger(), nullable=False),
        sa.Column("base_low", sa.Float(precision=53), nullable=False),
        sa.Column("base_high", sa.Float(precision=53), nullable=False),
        sa.Column("base_unit", TEXT, nullable=False),
        sa.PrimaryKeyConstraint(
            "rid", "param", "low", "high", "unit_code", "unit_system", "unit", "grp"
        ),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "index_quantity_base",
        "index_quantity",
        ["param", "base_unit", "base_low", "rid"],
        unique=False,
    )
    op.create_index("index_quantity_low", "index_quantity", ["param", "low", "rid"], unique=False)
    op.create_index(
        "index_quantity_span",
        "index_quantity",
        ["param", "rid"],
        unique=False,
        sqlite_where=sa.text("low < high"),
        postgresql_where=sa.text("low < high"),
    )
    op.create_table(
        "index_reference",
        sa.Column("rid", BIG, nullable=False),
        sa.Column("param", sa.Integer(), nullable=False),
        sa.Column("target_id", TEXT, nullable=False),
        sa.Column("target_type", TEXT, nullable=False),
        sa.Column("grp", sa.SmallInteger(), nullable=False),
        sa.PrimaryKeyConstraint("rid", "param", "target_id", "target_type", "grp"),
        sqlite_with_rowid=False,
    )
    op.create_index(
        "index_reference_target",
        "index_reference",
        ["param", "target_id", "target_type", "rid"],
        unique=False,
    )
    op.create_table(
        "index_string",
        sa.Column("rid", BIG, nullable=False),
        sa.Column("param", sa.Integer(), nullable=False),
        sa.Column("folded", TEXT, nullable=False),
        sa.Column("exact", TEXT, nullable=False),
        sa.Column("grp", sa.SmallInteger(), nullable=False),
        sa.PrimaryKeyConstraint("rid", "param", "folded", "exact", "grp"),
        sqlite_with_rowid=False,
    )
    op.create_index("index_string_folded", "index_string", ["param", "folded", "rid"], unique=False)
    op.create_table(
        "index_token",
        sa.Column("rid", BIG, nullable=False),
        sa.Column("param", sa.Integer(), nullable=False),
        sa.Column("code", TEXT, nullable=False),
        sa.Column("system", TEXT, nullable=False),
        sa.Column("grp", sa.SmallInteger(), nullable=False),
        sa.PrimaryKeyConstraint("rid", "param", "code", "system", "grp"),
        sqlite_with_rowid=False,
    )
    op.create_index("index_token_code", "index_token", ["param", "code", "rid"], unique=False)
    op.create_index("index_token_system", "index_token", ["param", "system", "rid"], unique=False)
    op.create_table(
        "index_uri",
        sa.Column("rid", BIG, nullable=False),
        sa.Column("param", sa.Integer(), nullable=False),
        sa.Column("value", TEXT, nullable=False),
        sa.Column("grp", sa.SmallInteger(), nullable=False),
        sa.PrimaryKeyConstraint("rid", "param", "value", "grp"),
        sqlite_with_rowid=False,
    )
    op.create_index("index_uri_value", "index_uri", ["param", "value", "rid"], unique=False)
    op.create_table(
        "resource",
        sa.Column("rid", BIG, autoincrement=False, nullable=False),
        sa.Column("type", TEXT, nullable=False),
        sa.Column("id", TEXT, nullable=False),
        sa.Column("vid", sa.Integer(), nullable=False),
        sa.Column("seq", BIG, nullable=False),
        sa.Column("updated", BIG, nullable=False),
        sa.Column("deleted", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("rid"),
    )
    op.create_index("resource_identity", "resource", ["type", "id"], unique=True)
    op.create_index("resource_updated", "resource", ["type", "updated", "rid"], unique=False)
    op.create_index("resource_walk", "resource", ["type", "deleted", "rid"], unique=False)
    op.create_table(
        "secret",
        sa.Column("name", TEXT, nullable=False),
        sa.Column("value", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
    op.create_table(
        "version",
        sa.Column("seq", BIG, autoincrement=False, nullable=False),
        sa.Column("rid", BIG, nullable=False),
        sa.Column("vid", sa.Integer(), nullable=False),
        sa.Column("type", TEXT, nullable=False),
        sa.Column("method", TEXT, nullable=False),
        sa.Column("updated", BIG, nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=True),
        sa.PrimaryKeyConstraint("seq"),
    )
    op.create_index("version_of_resource", "version", ["rid", "vid"], unique=True)
    op.create_index("version_of_type", "version", ["type", "seq"], unique=False)
    op.create_index("version_updated", "version", ["updated", "seq"], unique=False)
    op.execute("INSERT INTO change_clock (id, seq, rid, updated) VALUES (1, 0, 0, 0)")


def downgrade() -> None:
    op.drop_table("change_clock")
    op.drop_table("compartment")
    op.drop_table("index_date")
    op.drop_table("index_quantity")
    op.drop_table("index_reference")
    op.drop_table("index_string")
    op.drop_table("index_token")
    op.drop_table("index_uri")
    op.drop_table("resource")
    op.drop_table("secret")
    op.drop_table("version")
