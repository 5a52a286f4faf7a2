"""Running an import: a file read chunk by chunk, each chunk one transaction together with the progress it makes."""

import asyncio
import logging
import uuid
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from pathlib import Path
from typing import Any

from sqlalchemy.ext.asyncio import AsyncConnection

from service.api.import_chunks import Progress, keep_chunk, keep_plan_lines
from service.api.import_lines import BadLine, Line, read_csv, read_ndjson
from service.api.import_plans import in_batches
from service.application.log.stale import check_on
from service.auth import Principal
from service.store.engine import Database
from service.store.scope import Scope, table_of
from service.store.tables import ImportRun
from service.store.types import now

CHUNK = 500  # lines a transaction: others' writes go in between
Lines = Iterator[Line | BadLine]
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
    """Read a file chunk by chunk, each chunk one transaction together with the progress it makes.

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
        Told the number of lines read after each chunk.
    dry_run : bool
        Say what would become of each line, and keep none.
    """
    progress, changed = Progress(), set[uuid.UUID]()
    try:
        with path.open("rb") as file:
            lines = read_csv(path, kind) if form == "csv" else read_ndjson(file, kind)
            if dry_run:
                await _try_out(database, caller, lines, progress)
            else:
                await _keep_all(database, caller, run, lines, progress, changed, advance)
        end: dict[str, Any] = {"state": "done", **progress.columns()}
    except Exception as error:  # noqa: BLE001 - kept as the import's state, and logged
        _log.exception("import %s failed", run)
        end = {"state": "failed", "detail": f"stopped after line {progress.lines_read}: {type(error).__name__}"}
    ids = sorted(changed)
    for start in range(0, len(ids), CHUNK):
        async with database.writing() as connection:
            await check_on(Scope(connection, caller.practice_id, caller.clock_at), ids[start : start + CHUNK])
    async with database.writing() as connection:
        await _note(Scope(connection, caller.practice_id, caller.clock_at), run, {**end, "ended_at": now()})


async def _keep_all(
    database: Database,
    caller: Principal,
    run: uuid.UUID,
    lines: Lines,
    progress: Progress,
    changed: set[uuid.UUID],
    advance: Callable[[int], None] | None,
) -> None:
    """Keep a file's lines; `changed` takes in the athletes of whom something was: they are checked at its end, once."""
    plans: list[Line] = []
    while chunk := list(islice(lines, CHUNK)):

        async def keep(
            connection: AsyncConnection, chunk: Sequence[Line | BadLine] = chunk
        ) -> tuple[Progress, list[Line]]:
            scope, after = Scope(connection, caller.practice_id, caller.clock_at, changed), progress.copy()
            plan_lines = await keep_chunk(scope, caller, chunk, after)
            await _note(scope, run, after.columns())
            return after, plan_lines

        after, plan_lines = await database.write(keep)
        progress.take(after)
        plans += plan_lines
        if advance:
            advance(progress.lines_read)
        await asyncio.sleep(0)
    for batch in in_batches(plans):

        async def keep_batch(connection: AsyncConnection, batch: Sequence[Line] = batch) -> Progress:
            scope, after = Scope(connection, caller.practice_id, caller.clock_at, changed), progress.copy()
            await keep_plan_lines(scope, batch, after)
            await _note(scope, run, after.columns())
            return after

        progress.take(await database.write(keep_batch))
        await asyncio.sleep(0)


async def _try_out(database: Database, caller: Principal, lines: Lines, progress: Progress) -> None:
    """Everything in one transaction, which is rolled back; others' writes wait, hence the small limit on such files."""
    async with database.writing() as connection:
        scope, plans = Scope(connection, caller.practice_id, caller.clock_at), list[Line]()
        while chunk := list(islice(lines, CHUNK)):
            plans += await keep_chunk(scope, caller, chunk, progress)
        for batch in in_batches(plans):
            await keep_plan_lines(scope, batch, progress)
        await connection.rollback()


async def _note(scope: Scope, run: uuid.UUID, values: dict[str, Any]) -> None:
    await scope.run(scope.update(ImportRun).where(_RUN.c.id == run).values(**values))
