"""Alembic's entry: runs the migrations on the connection that `migrate` hands over."""

from __future__ import annotations

from alembic import context

from service.store import tables, tables_access, tables_exports, tables_people

# All models stand in one MetaData once they are imported.
MODELS = (tables, tables_access, tables_exports, tables_people)

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=tables.Resource.metadata,
    render_as_batch=False,
)
# `migrate` holds the transaction.
context.run_migrations()
