"""Rows as an earlier revision has them: without the columns that came later."""

from typing import Any

from sqlalchemy import Connection, column, insert, inspect, table
from sqlmodel import SQLModel

from service.store.scope import table_of


def insert_then(connection: Connection, of: type[SQLModel], row: dict[str, Any]) -> None:
    """Insert a row, completed by today's defaults, into the columns that its table has now."""
    there = {known["name"] for known in inspect(connection).get_columns(str(of.__tablename__))}
    columns = [column(known.name, known.type) for known in table_of(of).columns if known.name in there]
    values = {name: value for name, value in of(**row).model_dump().items() if name in there}
    connection.execute(insert(table(str(of.__tablename__), *columns)), values)
