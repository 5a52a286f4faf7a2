"""The one tenant filter: a practice's rows on a connection."""

import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from functools import cache, partial
from typing import Any, TypeVar, cast

from sqlalchemy import Delete, Insert, Row, Select, Update, delete, select, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.sql.dml import ReturningUpdate
from sqlmodel import SQLModel

from service.store import types
from service.store.prepared import PRACTICE, PreparedStatement
from service.store.shared_writer import Connection
from service.store.tables.people import Athlete

Table = type[SQLModel]
M = TypeVar("M", bound=SQLModel)


class Scope:
    """What one practice may see and change, by its own clock; every statement about its rows is made here.

    Parameters
    ----------
    connection : Connection
        Where its rows are.
    practice_id : UUID
        Which practice.
    clock_at : datetime
        Where the clock of a test practice was moved to; None lives by the real time, as all real practices do.
    to_check : set of UUID
        Takes in the athletes whose checks wait for the end of a file; None: checks follow each write.
    """

    def __init__(
        self,
        connection: Connection,
        practice_id: uuid.UUID,
        clock_at: datetime | None = None,
        to_check: set[uuid.UUID] | None = None,
    ) -> None:
        self.connection = connection
        self.practice_id = practice_id
        self.clock_at = clock_at
        self.to_check = to_check
        self.held: dict[uuid.UUID, Athlete] = {}  # athletes whose rows the transaction holds, as they stand

    def now(self) -> datetime:
        """The practice's present instant, in UTC: whatever its days, plans and decisions are dated by."""
        return self.clock_at or types.now()

    def select(self, *what: Any, of: Sequence[Table] = ()) -> Select[Any]:
        """SELECT of tables or columns, filtered to the practice in every table they come from."""
        statement = select(*(table_of(item) if _is_table(item) else item for item in what))
        tables = {*of, *(item if _is_table(item) else item.class_ for item in what if _has_home(item))}
        return statement.where(*(table.practice_id == self.practice_id for table in tables))

    def update(self, table: Table) -> Update:
        """UPDATE filtered to the practice."""
        return update(table_of(table)).where(table_of(table).c.practice_id == self.practice_id)

    def delete(self, table: Table) -> Delete:
        """DELETE filtered to the practice."""
        return delete(table_of(table)).where(table_of(table).c.practice_id == self.practice_id)

    async def rows(self, statement: Any) -> Sequence[Row[Any]]:
        """All rows of a statement."""
        return (await self.connection.execute(statement)).all()

    async def first(self, statement: Any) -> Row[Any] | None:
        """The first row of a statement, or None."""
        return (await self.connection.execute(statement)).first()

    async def all(self, table: type[M], statement: Select[Any]) -> Sequence[M]:
        """The rows of a statement that selects whole rows of a table: with its columns as attributes, never tracked."""
        return cast(Sequence[M], await self.rows(statement))

    async def one(self, table: type[M], statement: Select[Any] | ReturningUpdate[Any]) -> M | None:
        """The first such row, or None; also of a change that returns the rows it touched."""
        return cast(M | None, await self.first(statement))

    async def fetch(self, prepared: PreparedStatement, **values: Any) -> Sequence[Any]:
        """The rows of a prepared statement about this practice, with its columns as attributes."""
        return await prepared.run(self.connection, [{**values, PRACTICE.key: self.practice_id}])

    async def run_each(self, prepared: PreparedStatement, rows: Sequence[Mapping[str, Any]]) -> None:
        """Execute a prepared change of this practice's rows for each of some rows of values."""
        if rows:
            await prepared.run(self.connection, [{**row, PRACTICE.key: self.practice_id} for row in rows])

    async def run(self, statement: Any) -> int:
        """Execute a change; the number of rows it touched."""
        return (await self.connection.execute(statement)).rowcount

    async def insert(self, table: Table, rows: Iterable[Mapping[str, Any]]) -> None:
        """Insert rows, filling in the table's defaults and the practice."""
        ready = [self._complete(table, row) for row in rows]
        if ready:
            await _inserting(table).run(self.connection, ready)

    async def insert_new(self, table: Table, rows: Iterable[Mapping[str, Any]], key: Sequence[str]) -> int:
        """Insert the rows whose key is not there yet; the number inserted."""
        count = 0
        for row in rows:
            statement = _upsert(self.connection.dialect.name, table).values(self._complete(table, row))
            statement = statement.on_conflict_do_nothing(index_elements=list(key)).returning(
                table_of(table).c.practice_id
            )
            count += len((await self.connection.execute(statement)).all())  # rowcount says -1 on PostgreSQL
        return count

    async def upsert(
        self, table: Table, rows: Iterable[Mapping[str, Any]], key: Sequence[str], only: Sequence[str] | None = None
    ) -> None:
        """Insert rows, or in those with the same key replace the columns `only` (all of them by default)."""
        ready = [self._complete(table, row) for row in rows]
        if not ready:
            return
        ready.sort(key=lambda row: [str(row[name]) for name in key])  # one order for all: no two writers wait in a ring
        changed = tuple(name for name in only or ready[0] if name not in key)
        await _upserting(self.connection.dialect.name, table, tuple(key), changed).run(self.connection, ready)

    def _complete(self, table: Table, row: Mapping[str, Any]) -> dict[str, Any]:
        values: dict[str, Any] = {"practice_id": self.practice_id}
        for name, default in defaults_of(table):
            if name in row:
                values[name] = row[name]
            elif default is not None:
                values[name] = default()
        return values


@cache
def defaults_of(table: Table) -> list[tuple[str, Callable[[], Any] | None]]:
    """The table's columns, each with what makes its default; None where it has none."""
    known: list[tuple[str, Callable[[], Any] | None]] = []
    for name, field in table.model_fields.items():
        given = partial(field.get_default, call_default_factory=True, validated_data={})
        known.append((name, None if field.is_required() else given))
    return known


@cache
def _inserting(table: Table) -> PreparedStatement:
    return PreparedStatement(table_of(table).insert())


@cache
def _upserting(dialect: str, table: Table, key: tuple[str, ...], changed: tuple[str, ...]) -> PreparedStatement:
    statement = _upsert(dialect, table)
    set_ = {name: statement.excluded[name] for name in changed}
    return PreparedStatement(statement.on_conflict_do_update(index_elements=list(key), set_=set_))


def _upsert(dialect: str, table: Table) -> Any:
    statement: Insert = (sqlite if dialect == "sqlite" else postgresql).insert(table_of(table))
    return statement


def of_practice(*what: Any, of: Sequence[Table] = ()) -> Select[Any]:
    """SELECT of tables or columns for a `PreparedStatement` statement: filtered to the practice that runs it."""
    return select(*(table_of(item) if _is_table(item) else item for item in what)).where(
        *(table_of(table).c.practice_id == PRACTICE for table in {*of, *(item for item in what if _is_table(item))})
    )


def locked(statement: Select[Any]) -> Select[Any]:
    """The statement, holding its rows against other writers until the transaction ends (SQLite has one writer anyway).

    FOR NO KEY UPDATE: rows that refer to these may still be added meanwhile.
    """
    return statement.with_for_update(key_share=True)


def values_of(row: SQLModel) -> dict[str, Any]:
    """The columns of a row that `all` or `one` gave, by name."""
    return {name: getattr(row, name) for name in cast(Row[Any], row)._fields}


def table_of(table: Table) -> Any:
    """The SQLAlchemy table of a table class."""
    return table.__table__  # type: ignore[attr-defined]


def _is_table(item: Any) -> bool:
    return isinstance(item, type) and issubclass(item, SQLModel)


def _has_home(item: Any) -> bool:
    return _is_table(item) or getattr(item, "class_", None) is not None
