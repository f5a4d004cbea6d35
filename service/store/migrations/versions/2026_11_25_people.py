"""People who sign in, and their sessions."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25_people"
down_revision = "2026_11_25_systems"
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "person",
        sa.Column("login", TEXT, nullable=False),
        sa.Column("role", TEXT, nullable=False),
        sa.Column("reference", TEXT, nullable=False),
        sa.Column("tied", TEXT, nullable=False),
        sa.Column("name", TEXT, nullable=False),
        sa.Column("passphrase", TEXT, nullable=False),
        sa.Column("created", BIG, nullable=False),
        sa.Column("disabled", BIG, nullable=True),
        sa.PrimaryKeyConstraint("login"),
    )
    op.create_table(
        "person_session",
        sa.Column("digest", TEXT, nullable=False),
        sa.Column("login", TEXT, nullable=False),
        sa.Column("seen", BIG, nullable=False),
        sa.Column("expires", BIG, nullable=False),
        sa.PrimaryKeyConstraint("digest"),
    )
    op.create_index("person_session_login", "person_session", ["login"], unique=False)
    op.create_index("person_session_expires", "person_session", ["expires"], unique=False)
    op.create_table(
        "sign_in_link",
        sa.Column("digest", TEXT, nullable=False),
        sa.Column("login", TEXT, nullable=False),
        sa.Column("expires", BIG, nullable=False),
        sa.PrimaryKeyConstraint("digest"),
    )
    op.create_index("sign_in_link_expires", "sign_in_link", ["expires"], unique=False)
    op.create_table(
        "sign_in_failure",
        sa.Column("digest", TEXT, nullable=False),
        sa.Column("failures", BIG, nullable=False),
        sa.Column("until", BIG, nullable=False),
        sa.Column("forgotten", BIG, nullable=False),
        sa.PrimaryKeyConstraint("digest"),
    )
    op.create_index("sign_in_failure_forgotten", "sign_in_failure", ["forgotten"], unique=False)
    op.create_table(
        "openid_attempt",
        sa.Column("digest", TEXT, nullable=False),
        sa.Column("browser", TEXT, nullable=False),
        sa.Column("nonce", TEXT, nullable=False),
        sa.Column("verifier", TEXT, nullable=False),
        sa.Column("target", TEXT, nullable=False),
        sa.Column("expires", BIG, nullable=False),
        sa.PrimaryKeyConstraint("digest"),
    )
    op.create_index("openid_attempt_expires", "openid_attempt", ["expires"], unique=False)


def downgrade() -> None:
    for table in (
        "openid_attempt",
        "sign_in_failure",
        "sign_in_link",
        "person_session",
        "person",
    ):
        op.drop_table(table)
