"""Imports: whole files of lines, streamed in, good lines kept, faulty ones reported."""

import asyncio
import tempfile
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Depends, FastAPI, Header, Query, Request

from service.api.http.fields import Answer
from service.api.http.problems import documented
from service.api.http.transaction import DryRun, StreamedRoute
from service.api.import_run import run_import
from service.auth import Principal, requires
from service.errors import Fault, NotFound, TooLarge, UnsupportedMedia
from service.settings import Settings
from service.store.engine import Database
from service.store.scope import Scope, table_of, values_of
from service.store.tables import ImportRun
from service.store.types import new_id, now

router = APIRouter(tags=["imports"], route_class=StreamedRoute)
_RUN = table_of(ImportRun)
SILENCE = timedelta(minutes=2)  # a running import that was not heard of for so long has died
_FORMATS = {
    "application/x-ndjson": "ndjson",
    "application/ndjson": "ndjson",
    "application/jsonl": "ndjson",
    "text/csv": "csv",
}


@dataclass(frozen=True)
class LineFault(Fault):
    """A fault and the line of the file it stands in."""

    line: int


class ImportAnswer(Answer):
    """How far an import has come."""

    id: uuid.UUID
    state: str
    lines_read: int
    lines_kept: int
    lines_faulty: int
    faults: list[LineFault]
    detail: str | None
    started_at: datetime
    ended_at: datetime | None


@router.post(
    "/imports",
    status_code=202,
    responses=documented(TooLarge, UnsupportedMedia),
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {name: {"schema": {"type": "string"}} for name in ("application/x-ndjson", "text/csv")},
        }
    },
)
async def add_import(
    request: Request,
    caller: Annotated[Principal, Depends(requires("entries:write"))],
    dry_run: DryRun,
    type: Annotated[str | None, Query(max_length=32, description="type of lines that do not say theirs")] = None,
    prefer: Annotated[str | None, Header(description="RFC 7240: `wait=10` waits up to 10 s for the end")] = None,
) -> ImportAnswer:
    """Take in a file: the body is the file. Good lines are kept; the same file again changes nothing.

    A line that has no `ref` is known by what it says, so two equal lines are one entry. Athlete and screening lines
    need athletes:write, phases and targets coaching:write. An Idempotency-Key is not needed here.

    A file is taken in athlete by athlete, whatever its order; `lines_read` counts what has been taken in so far.

    Phases and targets are kept when all else that the file says of their athlete is, behind the safety gate of today.
    What a later one has replaced already is history and kept as it was; of what runs already, what the referral list
    forbids is refused (`safety.…`), and the rest, a target under the energy floor too, is kept as it is and left to the
    first review; what begins today or later meets every hard limit. Soft limits refuse no line, nor does an unanswered
    screening: reviews ask for it before a deficit starts or deepens.
    """
    if caller.athlete_id is not None:
        raise NotFound("a key bound to one athlete imports nothing")
    media_type = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if media_type not in _FORMATS:
        raise UnsupportedMedia("send Content-Type: application/x-ndjson or text/csv")
    database: Database = request.app.state.database
    settings: Settings = request.app.state.settings
    path = await _spool(request, settings.max_body_bytes if dry_run else settings.max_import_bytes)
    run = await _begin(database, caller)
    work = _run_and_remove(database, caller, run, path, _FORMATS[media_type], type, dry_run)
    task = asyncio.create_task(work)
    running: set[asyncio.Task[None]] = request.app.state.imports
    running.add(task)
    task.add_done_callback(running.discard)
    await asyncio.wait({task}, timeout=_patience(prefer))
    return await read_import(database, caller, run)


@router.get("/imports/{import_id}", responses=documented(NotFound))
async def get_import(
    import_id: uuid.UUID, request: Request, caller: Annotated[Principal, Depends(requires("entries:write"))]
) -> ImportAnswer:
    """How far it has come, and what was wrong with which line."""
    return await read_import(request.app.state.database, caller, import_id)


async def read_import(database: Database, caller: Principal, run: uuid.UUID) -> ImportAnswer:
    """The state of an import.

    Raises
    ------
    NotFound
        If the practice has no such import.
    """
    async with database.reading() as connection:
        scope = Scope(connection, caller.practice_id, caller.clock_at)
        row = await scope.one(ImportRun, scope.select(ImportRun).where(_RUN.c.id == run))
    if row is None or caller.athlete_id is not None:
        raise NotFound()
    values = values_of(row)
    if row.state == "running" and now() - row.heard_at > SILENCE:
        values |= {"state": "failed", "detail": "interrupted; send the file again, what was kept stays kept"}
    return ImportAnswer.model_validate(values)


async def finish_imports(app: FastAPI) -> None:
    """Wait for the imports that are running."""
    if app.state.imports:
        await asyncio.wait(app.state.imports, timeout=60)


def _patience(prefer: str | None) -> float:
    for part in (prefer or "").split(","):
        name, _, value = part.strip().partition("=")
        if name.lower() == "wait" and value.strip().isdecimal():
            return min(float(value), 60.0)
    return 0.2


async def _spool(request: Request, limit: int) -> Path:
    """The body in a temporary file, so that a slow sender holds no transaction."""
    size = 0
    with tempfile.NamedTemporaryFile(prefix="steelyard-import-", delete=False) as file:
        path = Path(file.name)
        try:
            async for piece in request.stream():
                size += len(piece)
                if size > limit:
                    raise TooLarge(f"an import may have {limit} bytes")
                file.write(piece)
        except BaseException:
            path.unlink()
            raise
    return path


async def _run_and_remove(
    database: Database, caller: Principal, run: uuid.UUID, path: Path, form: str, kind: str | None, dry_run: bool
) -> None:
    try:
        await run_import(database, caller, run, path, form, kind, dry_run=dry_run)
    finally:
        path.unlink()


async def _begin(database: Database, caller: Principal) -> uuid.UUID:
    run = new_id()
    async with database.writing() as connection:
        await Scope(connection, caller.practice_id, caller.clock_at).insert(ImportRun, [{"id": run}])
    return run


async def import_file(
    database: Database,
    caller: Principal,
    path: Path,
    form: str,
    kind: str | None = None,
    advance: Callable[[int], None] | None = None,
) -> ImportAnswer:
    """Import a local file to its end; parameters as `run_import`."""
    run = await _begin(database, caller)
    await run_import(database, caller, run, path, form, kind, advance)
    return await read_import(database, caller, run)
