"""The writer for small writes: what waits while one commit reaches the disk shares the next one.

The writer is a thread with a connection of its own. Work is a coroutine that waits for nothing but its connection, on
which every statement is done when it returns; so the thread runs it from start to end without an event loop.
"""

import asyncio
from collections.abc import Callable, Coroutine, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractAsyncContextManager, asynccontextmanager, contextmanager
from typing import Any, Protocol, TypeVar

from sqlalchemy import Connection as SyncConnection
from sqlalchemy import CursorResult, Dialect, Engine
from sqlalchemy.exc import DBAPIError

AT_ONCE = 60  # pieces of work in one transaction at most; PostgreSQL keeps so many savepoints at hand
T = TypeVar("T")


class Connection(Protocol):
    """What statements are executed on, whoever drives it."""

    @property
    def dialect(self) -> Dialect:
        """Which database this is."""

    async def execute(
        self, statement: Any, parameters: Any = None, *, execution_options: Any = None
    ) -> CursorResult[Any]:
        """Execute a statement."""

    async def exec_driver_sql(self, statement: str, parameters: Any = None) -> Any:
        """Execute a text that the driver understands; the rows it gives."""

    async def rollback(self) -> None:
        """Undo what the work has done so far."""

    def begin_nested(self) -> AbstractAsyncContextManager[Any]:
        """A part that is undone alone when it raises."""

    async def get_raw_connection(self) -> Any:
        """The driver's, with `driver_connection` as it is."""


class DirectConnection:
    """The connection of the writer's thread: what is awaited of it has been done already."""

    def __init__(self, connection: SyncConnection) -> None:
        self._connection = connection
        self.dialect: Dialect = connection.dialect
        self.raw: Any = connection.connection.driver_connection

    @property
    def is_over(self) -> bool:
        """Whether its transaction has ended without being told to."""
        return bool(self.raw.closed if self.dialect.name == "postgresql" else not self.raw.in_transaction)

    async def execute(
        self, statement: Any, parameters: Any = None, *, execution_options: Any = None
    ) -> CursorResult[Any]:
        """Execute a statement."""
        return self._connection.execute(statement, parameters, execution_options=execution_options)

    async def exec_driver_sql(self, statement: str, parameters: Any = None) -> Any:
        """Execute a text that the driver understands; the rows it gives."""
        with as_elsewhere(self.dialect, statement, parameters):
            return self.raw.execute(statement, parameters)

    async def rollback(self) -> None:
        """Undo what the present work has done so far; that of others in the same transaction stays."""
        self.raw.execute("ROLLBACK TO work")

    async def get_raw_connection(self) -> Any:
        """The driver's."""
        return self._connection.connection

    @asynccontextmanager
    async def begin_nested(self) -> Any:
        """A part that is undone alone when it raises."""
        with self._connection.begin_nested():
            yield


@contextmanager
def as_elsewhere(dialect: Dialect, statement: str, parameters: Any = None) -> Iterator[None]:
    """The driver's errors as SQLAlchemy raises them, so that a transaction that met another one is done again."""
    of_driver: type[Exception] = dialect.loaded_dbapi.Error
    try:
        yield
    except of_driver as error:
        raise DBAPIError.instance(statement, parameters, error, of_driver) from error


Work = Callable[[Connection], Coroutine[Any, Any, T]]


async def aside(work: Callable[..., T], *arguments: Any) -> T:
    """Compute something long off the event loop; at once where there is none, for the writer's thread is off it."""
    try:
        asyncio.get_running_loop()
    except RuntimeError:
        return work(*arguments)
    return await asyncio.to_thread(work, *arguments)


class SharedWriter:
    """Takes pieces of work, each of which is answered after the commit that holds it and fails alone.

    Parameters
    ----------
    engine : Engine
        Of one connection, on which nothing begins or commits by itself.
    turn : Lock
        Held while a transaction lasts, where other writers of the process hold it for theirs (SQLite).
    """

    def __init__(self, engine: Engine, turn: AbstractAsyncContextManager[Any]) -> None:
        self._engine = engine
        self._turn = turn
        self._begin = "BEGIN IMMEDIATE" if engine.dialect.name == "sqlite" else "BEGIN"
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="writer")
        self._waiting: list[tuple[Work[Any], asyncio.Future[Any]]] = []
        self._writing: asyncio.Task[None] | None = None

    async def write(self, work: Work[T]) -> T:
        """Do some work in a transaction that others may share; its result, once it is committed."""
        done: asyncio.Future[T] = asyncio.get_running_loop().create_future()
        self._waiting.append((work, done))
        if self._writing is None:
            self._writing = asyncio.create_task(self._write_all())
        return await done

    async def close(self) -> None:
        """Finish what waits, then give the connection back."""
        if self._writing is not None:
            await self._writing
        await asyncio.get_running_loop().run_in_executor(self._thread, self._engine.dispose)
        self._thread.shutdown()

    async def _write_all(self) -> None:
        loop = asyncio.get_running_loop()
        while self._waiting:
            async with self._turn:
                together, self._waiting = self._waiting[:AT_ONCE], self._waiting[AT_ONCE:]
                try:
                    ends = await loop.run_in_executor(self._thread, self._transact, [work for work, _ in together])
                except Exception as error:  # noqa: BLE001 - raised to all whose work was in it
                    ends = [error] * len(together)
            for (_, done), end in zip(together, ends, strict=True):
                if done.cancelled():
                    continue
                if isinstance(end, Exception):
                    done.set_exception(end)
                else:
                    done.set_result(end)
        self._writing = None

    def _transact(self, together: Sequence[Work[Any]]) -> list[Any]:
        """Results or errors of the pieces of work, after the commit."""
        with self._engine.connect() as connection:
            direct = DirectConnection(connection)
            try:
                direct.raw.execute(self._begin)
                ends = [_alone(direct, work) for work in together]
                direct.raw.execute("COMMIT")
            except BaseException:
                connection.invalidate()  # whatever is left of it
                raise
        return ends


def _alone(connection: DirectConnection, work: Work[T]) -> T | Exception:
    """The result of one piece of work, or the error for which it was undone."""
    raw = connection.raw
    raw.execute("SAVEPOINT work")
    try:
        end: T | Exception = _finished(work(connection))
    except Exception as error:  # raised to whoever asked for the work
        if connection.is_over:  # a full disk, a database that went away: everybody's is undone
            raise
        raw.execute("ROLLBACK TO work")
        end = error
    raw.execute("RELEASE work")
    return end


def _finished(work: Coroutine[Any, Any, T]) -> T:
    try:
        work.send(None)
    except StopIteration as end:
        result: T = end.value
        return result
    work.close()
    raise RuntimeError("work in a shared transaction waited for something other than its connection")
