"""Who made what lies in no client's record, so that no other clinic changes it.

Of what is there already nobody is known to be the keeper: who sees some clients only does not
change it any more.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25_keepers"
down_revision = "2026_11_25_token_dates"
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")


def upgrade() -> None:
    op.create_table(
        "keeper",
        sa.Column("rid", BIG, nullable=False),
        sa.Column("name", TEXT, nullable=False),
        sa.PrimaryKeyConstraint("rid", "name"),
        sqlite_with_rowid=False,
    )


def downgrade() -> None:
    op.drop_table("keeper")
