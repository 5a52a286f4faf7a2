"""Imports: whole files of lines, streamed in, good lines kept, faulty ones reported."""

import asyncio
import logging
import tempfile
import uuid
from collections import defaultdict
from collections.abc import Callable, Coroutine, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Depends, FastAPI, Header, Query, Request
from sqlalchemy.ext.asyncio import AsyncConnection

from service.api.athletes import ATHLETE, insert_athlete, update_athlete
from service.api.entries import date_faults, day_faults, store_entries
from service.api.food_days import declare
from service.api.http.fields import Answer
from service.api.http.problems import documented
from service.api.http.transaction import DryRun, StreamedRoute
from service.api.import_lines import ENTRY_KINDS, BadLine, Line, read_csv, read_ndjson
from service.api.import_plans import in_batches, keep_plan_lines
from service.api.screening import ScreeningBody, answer, latest
from service.auth import Principal, ScopeName, requires
from service.errors import Conflict, Fault, NotFound, Problem, TooLarge, UnsupportedMedia
from service.settings import Settings
from service.store.engine import Database
from service.store.scope import Scope, locked, table_of
from service.store.tables import Athlete, ImportRun
from service.store.types import new_id, now

router = APIRouter(tags=["imports"], route_class=StreamedRoute)
_RUN = table_of(ImportRun)
CHUNK = 500  # lines a transaction: others' writes go in between
FAULTS_KEPT = 1000
SILENCE = timedelta(minutes=2)  # a running import that was not heard of for so long has died
_FORMATS = {
    "application/x-ndjson": "ndjson",
    "application/ndjson": "ndjson",
    "application/jsonl": "ndjson",
    "text/csv": "csv",
}
_log = logging.getLogger(__name__)


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

    Phases and targets are kept at the end of the file, behind the safety gate of today. What a later one has replaced
    already is history and kept as it was; of what runs already, what the referral list forbids or what lies under the
    energy floor is refused (`safety.…`, `limit.energy_floor`), and the rest is left to the first review; what begins
    today or later meets every hard limit. Soft limits refuse no line, nor does an unanswered screening: reviews ask for
    it before a deficit starts or deepens.
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
        scope = Scope(connection, caller.practice_id)
        row = await scope.first(scope.select(ImportRun).where(_RUN.c.id == run))
    if row is None or caller.athlete_id is not None:
        raise NotFound()
    values = dict(row._mapping)
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
        await Scope(connection, caller.practice_id).insert(ImportRun, [{"id": run}])
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
    progress = Progress()
    try:
        with path.open("rb") as file:
            lines = read_csv(path, kind) if form == "csv" else read_ndjson(file, kind)
            if dry_run:
                await _try_out(database, caller, lines, progress)
            else:
                await _keep_all(database, caller, run, lines, progress, advance)
        end: dict[str, Any] = {"state": "done", **progress.columns()}
    except Exception as error:  # noqa: BLE001 - kept as the import's state, and logged
        _log.exception("import %s failed", run)
        end = {"state": "failed", "detail": f"stopped after line {progress.lines_read}: {type(error).__name__}"}
    async with database.writing() as connection:
        await _note(Scope(connection, caller.practice_id), run, {**end, "ended_at": now()})


Lines = Iterator[Line | BadLine]


async def _keep_all(
    database: Database,
    caller: Principal,
    run: uuid.UUID,
    lines: Lines,
    progress: "Progress",
    advance: Callable[[int], None] | None,
) -> None:
    plans: list[Line] = []
    while chunk := list(islice(lines, CHUNK)):

        async def keep(
            connection: AsyncConnection, chunk: Sequence[Line | BadLine] = chunk
        ) -> tuple[Progress, list[Line]]:
            scope, after = Scope(connection, caller.practice_id), progress.copy()
            held = await _keep(scope, caller, chunk, after)
            await _note(scope, run, after.columns())
            return after, held

        after, held = await database.write(keep)
        progress.take(after)
        plans += held
        if advance:
            advance(progress.lines_read)
        await asyncio.sleep(0)
    for batch in in_batches(plans):

        async def keep_batch(connection: AsyncConnection, batch: Sequence[Line] = batch) -> Progress:
            scope, after = Scope(connection, caller.practice_id), progress.copy()
            await _keep_plans(scope, batch, after)
            await _note(scope, run, after.columns())
            return after

        progress.take(await database.write(keep_batch))
        await asyncio.sleep(0)


async def _try_out(database: Database, caller: Principal, lines: Lines, progress: "Progress") -> None:
    """Everything in one transaction, which is rolled back; others' writes wait, hence the small limit on such files."""
    async with database.writing() as connection:
        scope, plans = Scope(connection, caller.practice_id), list[Line]()
        while chunk := list(islice(lines, CHUNK)):
            plans += await _keep(scope, caller, chunk, progress)
        for batch in in_batches(plans):
            await _keep_plans(scope, batch, progress)
        await connection.rollback()


class Progress:
    """What an import has done so far."""

    def __init__(self) -> None:
        self.lines_read = self.lines_kept = self.lines_faulty = 0
        self.faults: list[dict[str, Any]] = []

    def refuse(self, number: int, faults: Sequence[Fault]) -> None:
        """Note a line that is not kept."""
        self.lines_faulty += 1
        room = FAULTS_KEPT - len(self.faults)
        self.faults += [{"line": number, **vars(fault)} for fault in faults][:room]

    def copy(self) -> "Progress":
        """The same so far, to go on with; dropped where a chunk has to be kept again."""
        other = Progress()
        other.take(self)
        return other

    def take(self, other: "Progress") -> None:
        """Be as far as the other."""
        vars(self).update({**vars(other), "faults": list(other.faults)})

    def columns(self) -> dict[str, Any]:
        """As columns of `import_run`."""
        return {**vars(self), "heard_at": now()}


async def _note(scope: Scope, run: uuid.UUID, values: dict[str, Any]) -> None:
    await scope.run(scope.update(ImportRun).where(_RUN.c.id == run).values(**values))


_NEEDED: dict[str, ScopeName] = {
    "athlete": "athletes:write",
    "screening": "athletes:write",
    "phase": "coaching:write",
    "targets": "coaching:write",
}


async def _keep(scope: Scope, caller: Principal, chunk: Sequence[Line | BadLine], progress: Progress) -> list[Line]:
    """Keep the good lines of a chunk: athletes first, then the rest by type, each in the file's order.

    Phases and targets are handed back: they wait for the end of the file (see `import_plans`).
    """
    good: dict[str, list[Line]] = defaultdict(list)
    for line in chunk:
        progress.lines_read += 1
        if isinstance(line, BadLine):
            progress.refuse(line.number, line.faults)
        elif not caller.may(_NEEDED.get(line.kind, "entries:write")):
            detail = f"the key lacks the scope {_NEEDED.get(line.kind)}"
            progress.refuse(line.number, [Fault(pointer="", code="forbidden", detail=detail)])
        else:
            good[line.kind].append(line)
    for line in sorted(good.pop("athlete", []), key=lambda line: line.athlete):  # one order for all, against deadlocks
        await _one(progress, line, _keep_athlete(scope, line))
    plans = sorted([*good.pop("phase", []), *good.pop("targets", [])], key=lambda line: line.number)
    athletes = await _locked_athletes(scope, [line for lines in good.values() for line in lines])
    for kind, lines in good.items():
        known = _of_known_athletes(lines, athletes, progress)
        if kind in ENTRY_KINDS:
            await _keep_entries(scope, caller, kind, known, athletes, progress)
        elif kind == "food_day":
            await _keep_food_days(scope, known, athletes, progress)
        else:
            for line in known:
                await _one(progress, line, _keep_screening(scope, athletes[line.athlete].id, line.body))
    return plans


async def _locked_athletes(scope: Scope, lines: Sequence[Line]) -> dict[str, Any]:
    """The rows of the lines' athletes by external_id, in one order for all."""
    names = {line.athlete for line in lines}
    statement = scope.select(Athlete).where(ATHLETE.c.external_id.in_(names)).order_by(ATHLETE.c.id)
    return {row.external_id: row for row in await scope.rows(locked(statement))}


async def _keep_plans(scope: Scope, lines: Sequence[Line], progress: Progress) -> None:
    """Keep phases and targets, but for those that the safety gate refuses."""
    athletes = await _locked_athletes(scope, lines)
    known = _of_known_athletes(lines, athletes, progress)
    refused = await keep_plan_lines(scope, known, athletes)
    for line in known:
        if line.number in refused:
            progress.refuse(line.number, refused[line.number])
        else:
            progress.lines_kept += 1


async def _one(progress: Progress, line: Line, work: Coroutine[Any, Any, Any]) -> None:
    try:
        await work
    except Problem as problem:
        detail = Fault(pointer="", code=problem.slug.replace("-", "_"), detail=problem.detail)
        progress.refuse(line.number, problem.faults or [detail])
    else:
        progress.lines_kept += 1


async def _keep_athlete(scope: Scope, line: Line) -> None:
    statement = scope.select(Athlete).where(ATHLETE.c.external_id == line.athlete)
    old = await scope.first(statement)
    if old is None:
        try:
            await insert_athlete(scope, line.body)
            return
        except Conflict:  # another import made the athlete in this very moment
            old = await scope.first(statement)
            if old is None:
                raise
    said = {name: value for name, value in line.body.model_dump().items() if name in line.body.model_fields_set}
    if line.body.goal is not None:
        said["goal"] = line.body.goal.model_dump(mode="json")  # as it is stored: its date is text there
    if any(old._mapping[name] != value for name, value in said.items()):
        await update_athlete(scope, old, said)


def _of_known_athletes(lines: Sequence[Line], athletes: Mapping[str, Any], progress: Progress) -> list[Line]:
    known = []
    for line in lines:
        if line.athlete in athletes:
            known.append(line)
        else:
            detail = f"there is no athlete with external_id {line.athlete!r}"
            progress.refuse(line.number, [Fault(pointer="/athlete", code="unknown_athlete", detail=detail)])
    return known


async def _keep_entries(
    scope: Scope, caller: Principal, kind: str, lines: Sequence[Line], athletes: Mapping[str, Any], progress: Progress
) -> None:
    """Store entries in runs without a repeated reference, so that a later line of the same reference revises."""
    batch: dict[tuple[str, str], Line] = {}
    for line in lines:
        faults = date_faults(line.body, athletes[line.athlete])
        if faults:
            progress.refuse(line.number, faults)
            continue
        progress.lines_kept += 1
        key = (line.athlete, line.body.ref)
        if key in batch and batch[key].body == line.body:
            continue
        if key in batch:
            await _store(scope, caller, kind, batch.values(), athletes)
            batch = {}
        batch[key] = line
    await _store(scope, caller, kind, batch.values(), athletes)


async def _store(
    scope: Scope, caller: Principal, kind: str, lines: Iterable[Line], athletes: Mapping[str, Any]
) -> None:
    entries = [(athletes[line.athlete], line.body) for line in lines]
    if entries:
        await store_entries(scope, ENTRY_KINDS[kind], entries, caller.key_id)


async def _keep_food_days(scope: Scope, lines: Sequence[Line], athletes: Mapping[str, Any], progress: Progress) -> None:
    days: dict[tuple[uuid.UUID, date], Any] = {}
    for line in lines:
        found = day_faults(line.body.date, athletes[line.athlete])
        if found:
            progress.refuse(line.number, found)
            continue
        progress.lines_kept += 1
        days[athletes[line.athlete].id, line.body.date] = line.body
    if days:
        await declare(scope, days)


async def _keep_screening(scope: Scope, athlete_id: uuid.UUID, body: ScreeningBody) -> None:
    """Answers that differ from the latest are new ones; the same file again is no new answer."""
    old = await latest(scope, athlete_id)
    if old is None or old.answers != body.model_dump(mode="json", by_alias=True):
        await answer(scope, athlete_id, body)
