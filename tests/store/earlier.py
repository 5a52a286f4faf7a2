"""Rows in a schema of earlier days."""

from typing import Any

from sqlalchemy import Connection, column, inspect
from sqlalchemy import table as plain_table
from sqlmodel import SQLModel

from service.store.scope import table_of


def insert_then(connection: Connection, table: type[SQLModel], row: dict[str, Any]) -> None:
    """Insert a row with its defaults into a table that may lack columns of today."""
    name = str(table.__tablename__)
    there = {known["name"] for known in inspect(connection).get_columns(name)}
    then = plain_table(name, *(column(known.name, known.type) for known in table_of(table).c if known.name in there))
    complete = table(**row).model_dump()
    connection.execute(then.insert(), {key: value for key, value in complete.items() if key in there})
