"""Keeping a chunk of an import's lines: the good ones stored, by the same ways as single requests, the others noted."""

import uuid
from collections import defaultdict
from collections.abc import Coroutine, Iterable, Mapping, Sequence
from typing import Any

from service.api.athletes import ATHLETE, insert_athlete, update_athlete
from service.api.entries import date_faults, day_faults, new_entry
from service.api.import_lines import ENTRY_KINDS, BadLine, Line
from service.api.import_plans import keep_in_plans
from service.api.restrictions import RestrictionBody, restriction_faults
from service.api.screening import ScreeningBody
from service.application.log.days import DayKey
from service.application.log.entries import store_entries
from service.application.log.food_days import Declaration, declare
from service.application.log.screening import answer_screening, latest_screening
from service.application.plan.restrictions import put_restriction
from service.auth import Principal, ScopeName
from service.errors import Conflict, Fault, Invalid, Problem
from service.store.scope import Scope, locked, values_of
from service.store.tables import Athlete
from service.store.types import now

FAULTS_KEPT = 1000
Athletes = Mapping[str, Athlete]  # by external_id


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


_NEEDED: dict[str, ScopeName] = {
    "athlete": "athletes:write",
    "screening": "athletes:write",
    "restriction": "coaching:write",
    "phase": "coaching:write",
    "targets": "coaching:write",
}


async def keep_chunk(
    scope: Scope, caller: Principal, chunk: Sequence[Line | BadLine], progress: Progress
) -> list[Line]:
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
        elif kind == "restriction":
            for line in known:
                await _one(progress, line, _keep_restriction(scope, athletes[line.athlete], line.body))
        else:
            for line in known:
                await _one(progress, line, _keep_screening(scope, athletes[line.athlete].id, line.body))
    return plans


async def _locked_athletes(scope: Scope, lines: Sequence[Line]) -> dict[str, Athlete]:
    """The rows of the lines' athletes by external_id, in one order for all."""
    names = {line.athlete for line in lines}
    statement = scope.select(Athlete).where(ATHLETE.c.external_id.in_(names)).order_by(ATHLETE.c.id)
    return {row.external_id: row for row in await scope.all(Athlete, locked(statement))}


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
    old = await scope.one(Athlete, statement)
    if old is None:
        try:
            await insert_athlete(scope, line.body)
            return
        except Conflict:  # another import made the athlete in this very moment
            old = await scope.one(Athlete, statement)
            if old is None:
                raise
    said = {name: value for name, value in line.body.model_dump().items() if name in line.body.model_fields_set}
    if line.body.goal is not None:
        said["goal"] = line.body.goal.model_dump(mode="json")  # as it is stored: its date is text there
    before = values_of(old)
    if any(before[name] != value for name, value in said.items()):
        await update_athlete(scope, old, said)


def _of_known_athletes(lines: Sequence[Line], athletes: Athletes, progress: Progress) -> list[Line]:
    known = []
    for line in lines:
        if line.athlete in athletes:
            known.append(line)
        else:
            detail = f"there is no athlete with external_id {line.athlete!r}"
            progress.refuse(line.number, [Fault(pointer="/athlete", code="unknown_athlete", detail=detail)])
    return known


async def _keep_entries(
    scope: Scope,
    caller: Principal,
    kind: str,
    lines: Sequence[Line],
    athletes: Athletes,
    progress: Progress,
) -> None:
    """Store entries in runs without a repeated reference, so that a later line of the same reference revises."""
    batch: dict[tuple[str, str], Line] = {}
    for line in lines:
        faults = date_faults(scope, line.body, athletes[line.athlete])
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


async def _store(scope: Scope, caller: Principal, kind: str, lines: Iterable[Line], athletes: Athletes) -> None:
    entries = [new_entry(athletes[line.athlete], line.body) for line in lines]
    if entries:
        entry_kind = ENTRY_KINDS[kind]
        await store_entries(scope, entry_kind.table, entries, entry_kind.history(caller.key_id))


async def _keep_food_days(scope: Scope, lines: Sequence[Line], athletes: Athletes, progress: Progress) -> None:
    declarations: dict[DayKey, Declaration] = {}
    for line in lines:
        faults = day_faults(scope, line.body.date, athletes[line.athlete])
        if faults:
            progress.refuse(line.number, faults)
            continue
        progress.lines_kept += 1
        declarations[athletes[line.athlete].id, line.body.date] = line.body.declaration()
    if declarations:
        await declare(scope, declarations)


async def _keep_restriction(scope: Scope, athlete: Athlete, body: RestrictionBody) -> None:
    """A region's restriction since a day is one, also when the file says more of it later."""
    if faults := restriction_faults(scope, body, athlete):
        raise Invalid(faults[0].detail, faults)
    await put_restriction(scope, athlete.id, body.said())


async def _keep_screening(scope: Scope, athlete_id: uuid.UUID, body: ScreeningBody) -> None:
    """Answers that differ from the latest are new ones; the same file again is no new answer."""
    old, answers = await latest_screening(scope, athlete_id), body.answers()
    if old is None or {name: said for name, said in old.answers.items() if said is not None} != answers:
        await answer_screening(scope, athlete_id, answers)


async def keep_plan_lines(scope: Scope, lines: Sequence[Line], progress: Progress) -> None:
    """Keep phases and targets, but for those that the safety gate refuses."""
    athletes = await _locked_athletes(scope, lines)
    known = _of_known_athletes(lines, athletes, progress)
    refused = await keep_in_plans(scope, known, athletes)
    for line in known:
        if line.number in refused:
            progress.refuse(line.number, refused[line.number])
        else:
            progress.lines_kept += 1
