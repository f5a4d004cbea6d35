"""Codes with the date of their resource, so that the newest of one code are found at once."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25_token_dates"
down_revision = "2026_11_25_past_compartments"
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")

_DATES = {341: 359, 310: 311}
"""Observation and Procedure: the number of the parameter `code`, and that of `date`."""


def upgrade() -> None:
    op.create_table(
        "index_dated_code",
        sa.Column("rid", BIG, nullable=False),
        sa.Column("param", sa.Integer(), nullable=False),
        sa.Column("code", TEXT, nullable=False),
        sa.Column("at", BIG, nullable=False),
        sa.PrimaryKeyConstraint("rid", "param", "code"),
        sqlite_with_rowid=False,
    )
    for code, date in _DATES.items():
        op.execute(
            "INSERT INTO index_dated_code (rid, param, code, at)"
            " SELECT DISTINCT t.rid, t.param, t.code, coalesce("
            f"(SELECT min(d.low) FROM index_date d WHERE d.rid = t.rid AND d.param = {date}),"
            f" -9223372036854775807 - 1) FROM index_token t WHERE t.param = {code}"
        )
    op.create_index(
        "index_dated_code_at", "index_dated_code", ["param", "code", "at", "rid"], unique=False
    )


def downgrade() -> None:
    op.drop_table("index_dated_code")
