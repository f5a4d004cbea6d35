"""The audit log, what its rows are found by, and how far the spool files were taken."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "2026_11_25_audit"
down_revision = "2026_11_25_people"
branch_labels = None
depends_on = None

BIG = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
TEXT = sa.Text().with_variant(sa.Text(collation="C"), "postgresql")

REFUSAL = "the audit log is only appended to"


def _guards(dialect: str) -> list[str]:
    """Triggers by which the database itself refuses to change or remove what is in the log.

    Whoever owns the database can drop them; then the chain tells.
    """
    tables = ("audit_event", "audit_entity")
    if dialect == "sqlite":
        return [
            f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table}"
            f" BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
            for table in tables
            for event in ("UPDATE", "DELETE")
        ]
    return [
        "CREATE FUNCTION audit_refuse() RETURNS trigger LANGUAGE plpgsql AS"
        f" $$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$",
        *(
            f"CREATE TRIGGER {table}_only_append BEFORE UPDATE OR DELETE OR TRUNCATE ON {table}"
            " FOR EACH STATEMENT EXECUTE FUNCTION audit_refuse()"
            for table in tables
        ),
    ]


def upgrade() -> None:
    op.create_table(
        "audit_event",
        sa.Column("n", BIG, autoincrement=False, nullable=False),
        sa.Column("at", BIG, nullable=False),
        sa.Column("agent", TEXT, nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("chain", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("n"),
    )
    op.create_index("audit_event_at", "audit_event", ["at", "n"], unique=False)
    op.create_index("audit_event_agent", "audit_event", ["agent", "at", "n"], unique=False)
    op.create_table(
        "audit_entity",
        sa.Column("reference", TEXT, nullable=False),
        sa.Column("at", BIG, nullable=False),
        sa.Column("n", BIG, nullable=False),
        sa.PrimaryKeyConstraint("reference", "at", "n"),
        sqlite_with_rowid=False,
    )
    op.create_index("audit_entity_of_event", "audit_entity", ["n"], unique=False)
    op.create_table(
        "audit_spool",
        sa.Column("name", TEXT, nullable=False),
        sa.Column("taken", BIG, nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
    for statement in _guards(op.get_context().dialect.name):
        op.execute(statement)


def downgrade() -> None:
    op.drop_table("audit_event")
    op.drop_table("audit_entity")
    op.drop_table("audit_spool")
    if op.get_context().dialect.name == "postgresql":
        op.execute("DROP FUNCTION audit_refuse()")
