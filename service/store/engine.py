"""The database: one engine per dialect, one way to read, one way to write."""

import asyncio
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import AbstractAsyncContextManager, asynccontextmanager, nullcontext
from pathlib import Path
from typing import Any, TypeVar

import orjson
from sqlalchemy import Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import DBAPIError
from sqlalchemy.ext.asyncio import AsyncConnection, AsyncEngine, create_async_engine

from service.store.guard import refuse_unfiltered_statements
from service.store.shared_writer import SharedWriter, Work

BUSY_TIMEOUT_MS = 60_000
ATTEMPTS = 3
# A unique key taken, a serialisation failure or a deadlock: another transaction was there first (PostgreSQL, SQLite).
_MET_ANOTHER = {"23505", "40001", "40P01", "SQLITE_CONSTRAINT_UNIQUE", "SQLITE_CONSTRAINT_PRIMARYKEY"}
_HELD = "55P03"  # rows are held by another transaction (PostgreSQL)
SHARED_WAIT_MS = 20  # a shared transaction holds rows of many: it waits for no others, long before a deadlock is found
_DOCUMENTS = {"json_serializer": lambda value: orjson.dumps(value).decode(), "json_deserializer": orjson.loads}
T = TypeVar("T")


class Database:
    """A SQLite file or a PostgreSQL database, by its URL (`sqlite:///…` or `postgresql://…`)."""

    def __init__(self, url: str, check_tenant_filter: bool = False) -> None:
        parsed = make_url(url)
        self.dialect = parsed.get_backend_name()
        self.committed = asyncio.Event()  # set by each commit of this process
        if self.dialect == "sqlite":
            self._turn: AbstractAsyncContextManager[Any] = asyncio.Lock()  # one writer at a time
            self._reader, self._writer, small = _sqlite_engines(parsed)
        elif self.dialect == "postgresql":
            self._turn = nullcontext()
            self._reader, small = _postgresql_engines(parsed)
            self._writer = self._reader
        else:
            raise ValueError(f"the database must be SQLite or PostgreSQL, not {self.dialect}")
        self._shared = SharedWriter(small, self._turn)
        if check_tenant_filter:
            for engine in {small, self._reader.sync_engine, self._writer.sync_engine}:
                refuse_unfiltered_statements(engine)

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
        async with self._turn, self._writer.begin() as connection:
            yield connection
        self.committed.set()

    async def write(self, work: Callable[[AsyncConnection], Awaitable[T]]) -> T:
        """Do some work in a transaction, and from its start again where another transaction was there first."""

        async def once() -> T:
            async with self.writing() as connection:
                return await work(connection)

        return await _again_where_another_was_first(once)

    async def write_small(self, work: Work[T]) -> T:
        """The same for work that is soon done and waits for nothing but its connection.

        It shares a commit with what else waits for one; it is answered after that commit, and fails alone. Where rows
        are held by another transaction for longer than a moment (PostgreSQL), it waits for them in one of its own.
        """
        try:
            result = await _again_where_another_was_first(lambda: self._shared.write(work))
        except DBAPIError as error:
            if _reason(error) != _HELD:
                raise
            result = await self.write(work)
        self.committed.set()
        return result

    async def close(self) -> None:
        """Give all connections back."""
        await self._shared.close()
        for engine in {self._reader, self._writer}:
            await engine.dispose()


async def _again_where_another_was_first(once: Callable[[], Awaitable[T]]) -> T:
    for _ in range(ATTEMPTS - 1):
        try:
            return await once()
        except DBAPIError as error:
            if not met_another(error):
                raise
    return await once()


def met_another(error: DBAPIError) -> bool:
    """Whether a transaction failed because another one was there first."""
    return _reason(error) in _MET_ANOTHER


def _reason(error: DBAPIError) -> str | None:
    return getattr(error.orig, "sqlstate", None) or getattr(error.orig, "sqlite_errorname", None)


def _engine(url: URL, **options: Any) -> AsyncEngine:
    return create_async_engine(url, pool_timeout=60, **_DOCUMENTS, **options)


def _postgresql_engines(url: URL) -> tuple[AsyncEngine, Engine]:
    """For reading and long writes, and for small ones."""
    url = url.set(drivername="postgresql+psycopg")
    options = f"-c lock_timeout={SHARED_WAIT_MS}"
    small = create_engine(
        url, pool_size=1, max_overflow=0, isolation_level="AUTOCOMMIT", connect_args={"options": options}, **_DOCUMENTS
    )
    return _engine(url, pool_size=10), small


def _sqlite_engines(url: URL) -> tuple[AsyncEngine, AsyncEngine, Engine]:
    """For reading, for long writes, and for small ones."""
    if url.database and url.database != ":memory:":
        Path(url.database).parent.mkdir(parents=True, exist_ok=True)
    small = create_engine(url, pool_size=1, max_overflow=0, isolation_level="AUTOCOMMIT", **_DOCUMENTS)
    url = url.set(drivername="sqlite+aiosqlite")
    reader, writer = _engine(url, pool_size=4, max_overflow=0), _engine(url, pool_size=1, max_overflow=0)
    for engine in (reader.sync_engine, writer.sync_engine, small):
        event.listen(engine, "connect", _set_up_sqlite)
    event.listen(writer.sync_engine, "begin", lambda connection: connection.exec_driver_sql("BEGIN IMMEDIATE"))
    return reader, writer, small


def _set_up_sqlite(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # the driver begins nothing by itself
    cursor = connection.cursor()
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", f"busy_timeout={BUSY_TIMEOUT_MS}"):
        cursor.execute(f"PRAGMA {pragma}")
    cursor.close()
