"""Where sign-ins succeeded: browsers, and addresses. Failures are counted anew, otherwise."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25_sign_in_known"
down_revision = "2026_11_25_bases"
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "sign_in_known",
        sa.Column("digest", TEXT, nullable=False),
        sa.Column("login", TEXT, nullable=False),
        sa.Column("expires", BIG, nullable=False),
        sa.PrimaryKeyConstraint("digest", "login"),
    )
    op.create_index("sign_in_known_login", "sign_in_known", ["login"], unique=False)
    op.create_index("sign_in_known_expires", "sign_in_known", ["expires"], unique=False)
    # Who was locked for good is locked no more.
    op.execute("DELETE FROM sign_in_failure")


def downgrade() -> None:
    op.drop_table("sign_in_known")
