"""The database: one engine per dialect, one way to read, one way to write."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any, TypeVar

import orjson
from sqlalchemy import event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import DBAPIError
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, create_async_engine

from service.store.guard import refuse_unfiltered_statements

BUSY_TIMEOUT_MS = 60_000
ATTEMPTS = 3
# A unique key taken, a serialisation failure or a deadlock: another transaction was there first (PostgreSQL, SQLite).
_MET_ANOTHER = {"23505", "40001", "40P01", "SQLITE_CONSTRAINT_UNIQUE", "SQLITE_CONSTRAINT_PRIMARYKEY"}
T = TypeVar("T")


class Database:
    """A SQLite file or a PostgreSQL database, by its URL (`sqlite:///…` or `postgresql://…`)."""

    def __init__(self, url: str, check_tenant_filter: bool = False) -> None:
        parsed = make_url(url)
        self.dialect = parsed.get_backend_name()
        self.committed = asyncio.Event()  # set by each commit of this process
        if self.dialect == "sqlite":
            self._reader, self._writer = _sqlite_engines(parsed)
        elif self.dialect == "postgresql":
            self._reader = self._writer = _engine(parsed.set(drivername="postgresql+psycopg"), pool_size=10)
        else:
            raise ValueError(f"the database must be SQLite or PostgreSQL, not {self.dialect}")
        if check_tenant_filter:
            for engine in {self._reader, self._writer}:
                refuse_unfiltered_statements(engine.sync_engine)

    @asynccontextmanager
    async def reading(self) -> AsyncIterator[AsyncConnection]:
        """A connection on which each statement stands alone (autocommit)."""
        async with self._reader.connect() as connection:
            yield await connection.execution_options(isolation_level="AUTOCOMMIT")

    @asynccontextmanager
    async def writing(self) -> AsyncIterator[AsyncConnection]:
        """One transaction: committed when the block ends, rolled back when it raises.

        On SQLite it starts with BEGIN IMMEDIATE on the one writer connection, so writers of this process queue here
        and writers of other processes wait for the lock instead of failing half-way.
        """
        async with self._writer.begin() as connection:
            yield connection
        self.committed.set()

    async def write(self, work: Callable[[AsyncConnection], Awaitable[T]]) -> T:
        """Do some work in a transaction, and from its start again where another transaction was there first."""
        for _ in range(ATTEMPTS - 1):
            try:
                async with self.writing() as connection:
                    return await work(connection)
            except DBAPIError as error:
                if not met_another(error):
                    raise
        async with self.writing() as connection:
            return await work(connection)

    async def close(self) -> None:
        """Give all connections back."""
        for engine in {self._reader, self._writer}:
            await engine.dispose()


def met_another(error: DBAPIError) -> bool:
    """Whether a transaction failed because another one was there first."""
    reason = getattr(error.orig, "sqlstate", None) or getattr(error.orig, "sqlite_errorname", None)
    return reason in _MET_ANOTHER


def _engine(url: URL, **options: Any) -> AsyncEngine:
    return create_async_engine(
        url,
        pool_timeout=60,
        json_serializer=lambda value: orjson.dumps(value).decode(),
        json_deserializer=orjson.loads,
        **options,
    )


def _sqlite_engines(url: URL) -> tuple[AsyncEngine, AsyncEngine]:
    if url.database and url.database != ":memory:":
        Path(url.database).parent.mkdir(parents=True, exist_ok=True)
    url = url.set(drivername="sqlite+aiosqlite")
    reader, writer = _engine(url, pool_size=4, max_overflow=0), _engine(url, pool_size=1, max_overflow=0)
    for engine in (reader, writer):
        event.listen(engine.sync_engine, "connect", _set_up_sqlite)
    event.listen(writer.sync_engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN IMMEDIATE"))
    return reader, writer


def _set_up_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # the driver begins nothing by itself
    cursor = connection.cursor()
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", f"busy_timeout={BUSY_TIMEOUT_MS}"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()
