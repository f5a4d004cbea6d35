"""Registered systems, signing keys, used assertions, revoked tokens."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25_systems"
down_revision = "2026_11_25_exports"
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "system_client",
        sa.Column("id", TEXT, nullable=False),
        sa.Column("scopes", TEXT, nullable=False),
        sa.Column("tied", TEXT, nullable=False),
        sa.Column("reference", TEXT, nullable=False),
        sa.Column("jwks", TEXT, nullable=False),
        sa.Column("jwks_url", TEXT, nullable=False),
        sa.Column("created", BIG, nullable=False),
        sa.Column("disabled", BIG, nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_table(
        "signing_key",
        sa.Column("kid", TEXT, nullable=False),
        sa.Column("jwk", TEXT, nullable=False),
        sa.Column("created", BIG, nullable=False),
        sa.Column("retired", BIG, nullable=True),
        sa.PrimaryKeyConstraint("kid"),
    )
    op.create_table(
        "used_assertion",
        sa.Column("issuer", TEXT, nullable=False),
        sa.Column("jti", TEXT, nullable=False),
        sa.Column("expires", BIG, nullable=False),
        sa.PrimaryKeyConstraint("issuer", "jti"),
        sqlite_with_rowid=False,
    )
    op.create_index("used_assertion_expires", "used_assertion", ["expires"], unique=False)
    op.create_table(
        "revoked_token",
        sa.Column("jti", TEXT, nullable=False),
        sa.Column("expires", BIG, nullable=False),
        sa.PrimaryKeyConstraint("jti"),
    )
    op.create_index("revoked_token_expires", "revoked_token", ["expires"], unique=False)


def downgrade() -> None:
    for table in ("revoked_token", "used_assertion", "signing_key", "system_client"):
        op.drop_table(table)
