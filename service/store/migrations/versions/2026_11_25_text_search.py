"""The words of narratives and of whole resources, for _text and _content."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "2026_11_25_text_search"
down_revision = "2026_11_25_first_tables"
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
WORDS = sa.Text().with_variant(postgresql.TSVECTOR(), "postgresql")

MATCH = """
CREATE VIRTUAL TABLE index_text_match USING fts5(
    words, content='index_text', content_rowid='rid', columnsize=0, tokenize='ascii'
)
"""


def upgrade() -> None:
    op.create_table(
        "index_text",
        sa.Column("rid", BIG, autoincrement=False, nullable=False),
        sa.Column("words", WORDS, nullable=False),
        sa.PrimaryKeyConstraint("rid"),
    )
    if op.get_bind().dialect.name == "sqlite":
        op.execute(MATCH)
    else:
        op.create_index("index_text_words", "index_text", ["words"], postgresql_using="gin")


def downgrade() -> None:
    if op.get_bind().dialect.name == "sqlite":
        op.execute("DROP TABLE index_text_match")
    op.drop_table("index_text")
