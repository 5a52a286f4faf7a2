"""Running an import: a file read window by window, each one transaction together with the progress it makes.

Windows follow the athletes, not the file's order (`import_order`), and are read off the event loop.
"""

import asyncio
import logging
import uuid
from collections.abc import AsyncIterator, Awaitable, Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from service.api.import_chunks import (
    Good,
    Progress,
    ReadyPlans,
    keep_athletes,
    prepare_plans,
    prepare_window,
    put_plans,
    put_window,
    sort_lines,
)
from service.api.import_lines import BadLine, Line, read_lines
from service.api.import_order import places
from service.api.import_plans import Waiting
from service.application.log.stale import check_on
from service.auth import Principal
from service.store.engine import Database
from service.store.scope import Scope, table_of
from service.store.shared_writer import Connection
from service.store.tables import ImportRun
from service.store.types import now

CHECKED = 500  # athletes a transaction
Windows = AsyncIterator[tuple[list[Line | BadLine], bool]]
_RUN = table_of(ImportRun)
_log = logging.getLogger(__name__)


async def run_import(
    database: Database,
    caller: Principal,
    run: uuid.UUID,
    path: Path,
    form: str,
    kind: str | None,
    advance: Callable[[int], None] | None = None,
    dry_run: bool = False,
) -> None:
    """Read a file window by window, each one transaction together with the progress it makes.

    Parameters
    ----------
    run : UUID
        The row of `import_run` that keeps progress and faults.
    path : Path
        The file.
    form : str
        `ndjson` or `csv`.
    kind : str or None
        The type of lines that do not say theirs.
    advance : callable
        Told the number of lines read after each window.
    dry_run : bool
        Say what would become of each line, and keep none.
    """
    work = _Import(database, caller, run)
    progress = work.progress
    try:
        windows = _windows(path, form, kind)
        if dry_run:
            await _try_out(database, caller, windows, progress)
        else:
            await work.keep_all(windows, advance)
        end: dict[str, Any] = {"state": "done", **progress.columns()}
    except Exception as error:  # noqa: BLE001 - kept as the import's state, and logged
        _log.exception("import %s failed", run)
        end = {"state": "failed", "detail": f"stopped after {progress.lines_read} lines: {type(error).__name__}"}
    ids = sorted(work.changed)
    for start in range(0, len(ids), CHECKED):
        async with database.writing() as connection:
            await check_on(Scope(connection, caller.practice_id, caller.clock_at), ids[start : start + CHECKED])
    async with database.writing() as connection:
        await _note(Scope(connection, caller.practice_id, caller.clock_at), run, {**end, "ended_at": now()})


async def _windows(path: Path, form: str, kind: str | None) -> Windows:
    """The lines of a file, and whether those that follow are of another athlete."""
    looking = places(path, form)
    found = await asyncio.to_thread(looking.__enter__)
    try:
        for records, whole in found.windows():
            yield await asyncio.to_thread(read_lines, records, found.header, kind), whole
    finally:
        looking.__exit__(None, None, None)


class _Import:
    """An import under way: how far it has come, and the athletes of whom something was kept."""

    def __init__(self, database: Database, caller: Principal, run: uuid.UUID) -> None:
        self.database, self.caller, self.run = database, caller, run
        self.progress, self.changed, self.waiting = Progress(), set[uuid.UUID](), Waiting()

    def scope(self, connection: Connection) -> Scope:
        return Scope(connection, self.caller.practice_id, self.caller.clock_at, self.changed)

    async def keep_all(self, windows: Windows, advance: Callable[[int], None] | None) -> None:
        """Keep a file's lines."""
        async for window, whole in windows:
            await self._keep(window)
            if advance:
                advance(self.progress.lines_read)
            for batch in self.waiting.full() if whole else ():
                await self._keep_plans(batch)
        for batch in self.waiting.rest():
            await self._keep_plans(batch)

    async def _keep(self, window: Sequence[Line | BadLine]) -> None:
        read = self.progress.copy()
        good = sort_lines(self.caller, window, read)
        if good.athletes:
            rest = len(good.plans) + sum(map(len, good.others.values()))
            read.lines_read -= rest
            read = await self._write(partial(self._keep_athletes, good, read))
            read.lines_read += rest
        async with self.database.reading() as connection:
            ready = await prepare_window(self.scope(connection), self.caller, good, read)
        await self._write(lambda scope: put_window(scope, self.caller, ready, read))
        self.waiting.take(good.plans)

    @staticmethod
    async def _keep_athletes(good: Good, before: Progress, scope: Scope) -> Progress:
        after = before.copy()
        await keep_athletes(scope, good.athletes, after)
        return after

    async def _keep_plans(self, lines: Sequence[Line]) -> None:
        for to_come in (False, True):
            async with self.database.reading() as connection:
                ready = await prepare_plans(self.scope(connection), lines, to_come=to_come)
            await self._write(partial(self._put_plans, ready, self.progress.copy()))

    @staticmethod
    async def _put_plans(ready: ReadyPlans, before: Progress, scope: Scope) -> Progress:
        return await put_plans(scope, ready, before)

    async def _write(self, work: Callable[[Scope], Awaitable[Progress]]) -> Progress:
        """Do some work in a transaction, together with the progress it makes; on SQLite by the writer's thread alone.

        It is prepared, so that it waits for nothing but its connection.
        """

        async def write(connection: Connection) -> Progress:
            scope = self.scope(connection)
            after = await work(scope)
            await _note(scope, self.run, after.columns())
            return after

        one_writer = self.database.dialect == "sqlite"
        self.progress.take(await (self.database.write_small(write) if one_writer else self.database.write(write)))
        return self.progress.copy()


async def _try_out(database: Database, caller: Principal, windows: Windows, progress: Progress) -> None:
    """Everything in one transaction, which is rolled back; others' writes wait, hence the small limit on such files."""
    async with database.writing() as connection:
        scope, waiting = Scope(connection, caller.practice_id, caller.clock_at), Waiting()
        async for window, _ in windows:
            good = sort_lines(caller, window, progress)
            await keep_athletes(scope, good.athletes, progress)
            ready = await prepare_window(scope, caller, good, progress)
            progress.take(await put_window(scope, caller, ready, progress))
            waiting.take(good.plans)
        for batch in waiting.rest():
            for to_come in (False, True):
                plans = await prepare_plans(scope, batch, to_come=to_come)
                progress.take(await put_plans(scope, plans, progress))
        await connection.rollback()


async def _note(scope: Scope, run: uuid.UUID, values: dict[str, Any]) -> None:
    await scope.run(scope.update(ImportRun).where(_RUN.c.id == run).values(**values))
