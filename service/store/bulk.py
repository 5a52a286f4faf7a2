"""Many rows at once: by columns, through the driver, past the statement-by-statement way of `Scope`.

Values become what the driver stores by the types of the columns, as everywhere; a column is converted in one sweep.
The practice is put on each row and into each condition here, as `Scope` does for single statements.
"""

import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import cache
from itertools import repeat
from typing import Any

import orjson
from sqlalchemy import JSON, Date, Dialect, Uuid

from service.store.scope import Scope, Table, defaults_of, table_of
from service.store.shared_writer import DirectConnection, as_elsewhere

Columns = Mapping[str, Sequence[Any]]  # of one length, by the names of a table's columns
Cells = Sequence[Any]  # a row as the driver stores it


async def insert(scope: Scope, table: Table, columns: Columns, same: Mapping[str, Any] | None = None) -> None:
    """Insert rows; columns that are not given take the table's defaults. `same`: values that all rows share."""
    names, rows = _stored(scope, table, columns, same or {})
    if not rows:
        return
    into = f"{table_of(table).name} ({', '.join(names)})"
    if scope.connection.dialect.name == "sqlite":
        await _execute_many(scope, f"INSERT INTO {into} VALUES ({', '.join('?' * len(names))})", rows)
        return
    connection = scope.connection
    driver = (await connection.get_raw_connection()).driver_connection
    statement = f"COPY {into} FROM STDIN"
    with as_elsewhere(connection.dialect, statement):
        if isinstance(connection, DirectConnection):
            with driver.cursor() as cursor, cursor.copy(statement) as copy:
                for row in rows:
                    copy.write_row(row)
        else:
            async with driver.cursor() as cursor, cursor.copy(statement) as copy:
                for row in rows:
                    await copy.write_row(row)


async def upsert(scope: Scope, table: Table, columns: Columns, key: Sequence[str]) -> None:
    """Insert rows, or in those with the same key replace the columns that are given."""
    changed = ", ".join(f"{name} = excluded.{name}" for name in columns if name not in key)
    await _insert_or(scope, table, columns, key, f"UPDATE SET {changed}")


async def insert_new(scope: Scope, table: Table, columns: Columns, key: Sequence[str]) -> None:
    """Insert the rows whose key is not there yet."""
    await _insert_or(scope, table, columns, key, "NOTHING")


async def _insert_or(scope: Scope, table: Table, columns: Columns, key: Sequence[str], otherwise: str) -> None:
    names, rows = _stored(scope, table, columns, {})
    if not rows:
        return
    sqlite = scope.connection.dialect.name == "sqlite"
    into = f"INSERT INTO {table_of(table).name} ({', '.join(names)})"
    conflict = f"ON CONFLICT ({', '.join(key)}) DO {otherwise}"
    place = [names.index(name) for name in key]
    rows.sort(key=lambda row: [str(row[at]) for at in place])  # one order for all: no two writers wait in a ring
    if sqlite:
        await _execute_many(scope, f"{into} VALUES ({', '.join('?' * len(names))}) {conflict}", rows)
        return
    arrays = ", ".join(f"%s::{_type(scope, table, name)}[]" for name in names)
    statement = f"{into} SELECT * FROM unnest({arrays}) {conflict}"
    await scope.connection.exec_driver_sql(statement, tuple(map(list, zip(*rows, strict=True))))


async def with_refs(
    scope: Scope, table: Table, said: Mapping[str, Sequence[str]], names: Sequence[str]
) -> dict[tuple[str, str], Cells]:
    """Columns of the entries that have these references, as the driver stores them, by athlete and reference.

    Parameters
    ----------
    said : mapping
        References by the athlete's id in hexadecimal digits.
    names : sequence of str
        Of the columns.
    """
    if not said:
        return {}
    entry = table_of(table).name
    if scope.connection.dialect.name == "sqlite":
        columns = ", ".join(f"entry.{name}" for name in names)
        statement = (
            f"SELECT who.key, entry.ref, {columns} FROM json_each(?) AS who CROSS JOIN json_each(who.value) AS said"
            f" CROSS JOIN {entry} AS entry ON entry.practice_id = ? AND entry.athlete_id = who.key"
            " AND entry.ref = said.value"
        )
        parameters: Any = (orjson.dumps(said).decode(), scope.practice_id.hex)
    else:
        columns = ", ".join(f"entry.{name}::text" if _is_json(table, name) else f"entry.{name}" for name in names)
        statement = (
            f"SELECT said.athlete, entry.ref, {columns} FROM unnest(%s::text[], %s::text[]) AS said (athlete, ref)"
            f" JOIN {entry} AS entry ON entry.practice_id = %s AND entry.athlete_id = said.athlete::uuid"
            " AND entry.ref = said.ref"
        )
        pairs = [(athlete, ref) for athlete, refs in said.items() for ref in refs]
        parameters = ([athlete for athlete, _ in pairs], [ref for _, ref in pairs], scope.practice_id)
    found = await scope.connection.exec_driver_sql(statement, parameters)
    return {(row[0], row[1]): row[2:] for row in map(tuple, found)}


async def _execute_many(scope: Scope, statement: str, rows: Sequence[Cells]) -> None:
    """Execute a statement of SQLite for each row."""
    connection = scope.connection
    if not isinstance(connection, DirectConnection):
        await connection.exec_driver_sql(statement, rows)
        return
    with as_elsewhere(connection.dialect, statement):
        connection.raw.executemany(statement, rows)


def stored_column(scope: Scope, table: Table, name: str, values: Iterable[Any]) -> list[Any]:
    """A column's values as the driver stores them; identifiers may also be given in hexadecimal digits."""
    bind = _binder(table, name, scope.connection.dialect)
    if bind is None:
        return list(values)
    if bind is _hex:
        return _digits(values)
    if isinstance(table_of(table).c[name].type, Date):  # few days, many rows
        of_day = {value: None if value is None else bind(value) for value in set(values)}
        return [of_day[value] for value in values]
    return [None if value is None else bind(value) for value in values]


def _digits(values: Iterable[uuid.UUID | str]) -> list[str]:
    """Identifiers in hexadecimal digits, each converted once."""
    known: dict[int, str] = {}
    digits = []
    for value in values:
        if isinstance(value, str):
            digits.append(value)
            continue
        found = known.get(value.int)
        if found is None:
            found = known[value.int] = value.hex
        digits.append(found)
    return digits


def _stored(scope: Scope, table: Table, columns: Columns, same: Mapping[str, Any]) -> tuple[list[str], list[Cells]]:
    given = dict(columns)
    count = len(next(iter(given.values())))
    cells: dict[str, Iterable[Any]] = {
        name: stored_column(scope, table, name, values) for name, values in given.items()
    }
    constants = {"practice_id": scope.practice_id, **same}
    for name, default in defaults_of(table):
        if name not in given and name not in constants and default is not None:
            constants[name] = default()
    for name, value in constants.items():
        cells[name] = repeat(stored_column(scope, table, name, (value,))[0], count)
    return list(cells), list(zip(*cells.values(), strict=True))


@cache
def _binder(table: Table, name: str, dialect: Dialect) -> Callable[[Any], Any] | None:
    column = table_of(table).c[name]
    if isinstance(column.type, JSON):
        return _json
    if isinstance(column.type, Uuid):
        return _hex
    bind: Callable[[Any], Any] | None = column.type.dialect_impl(dialect).bind_processor(dialect)
    return bind


def _json(value: Any) -> str:
    return orjson.dumps(value).decode()


def _hex(value: uuid.UUID | str) -> str:
    return value if isinstance(value, str) else value.hex


def _is_json(table: Table, name: str) -> bool:
    return isinstance(table_of(table).c[name].type, JSON)


def _type(scope: Scope, table: Table, name: str) -> str:
    return str(table_of(table).c[name].type.compile(scope.connection.dialect))
