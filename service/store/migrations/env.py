"""Alembic's entry: the caller hands over a connection; both databases run the same chain."""

from typing import Any, Literal

from alembic import context
from sqlmodel import AutoString

from service.store.tables import metadata


def render_item(kind: str, item: Any, _context: Any) -> str | Literal[False]:
    """Write SQLModel's string type as SQLAlchemy's, so that a migration needs no import of SQLModel."""
    return "sa.String()" if kind == "type" and isinstance(item, AutoString) else False


connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=metadata,
    render_as_batch=True,
    compare_type=True,
    render_item=render_item,
)
with context.begin_transaction():
    context.run_migrations()
