"""Rows in a schema of earlier days."""

from typing import Any

from sqlalchemy import Connection, insert, inspect
from sqlmodel import SQLModel

from service.store.scope import table_of


def insert_then(connection: Connection, table: type[SQLModel], row: dict[str, Any]) -> None:
    """Insert a row with its defaults into a table that may lack columns of today."""
    there = {column["name"] for column in inspect(connection).get_columns(str(table.__tablename__))}
    complete = table(**row).model_dump()
    connection.execute(insert(table_of(table)), {name: value for name, value in complete.items() if name in there})
