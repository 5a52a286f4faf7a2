"""Keeping a window of an import's lines: the good ones stored, the others noted.

Athletes are kept first, in a transaction of their own. What the entries come to is then worked out outside of any
transaction, and written in a short one, where it still holds.
"""

from collections import defaultdict
from collections.abc import Coroutine, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Select

from service.api.athletes import ATHLETE, insert_athlete, new_athlete, update_athlete
from service.api.entries import date_faults, day_faults, days_of_log, local_date
from service.api.import_lines import ENTRY_KINDS, BadLine, Line
from service.api.import_plans import in_plans
from service.api.restrictions import RestrictionBody, restriction_faults
from service.api.screening import ScreeningBody, refuse_answers
from service.application.log.days import DayKey
from service.application.log.entries import NewEntry
from service.application.log.food_days import Declaration
from service.application.log.many_entries import Prepared, Told, prepare, put
from service.application.log.screening import answer_screening, latest_screening
from service.application.log.stale import changed_meanwhile, held
from service.application.plan.restrictions import put_restriction
from service.application.plan.takeover import Judged, judge_plans, keep_plans
from service.auth import Principal, ScopeName
from service.errors import Fault, Invalid, Problem
from service.store import bulk
from service.store.scope import Scope, locked, values_of
from service.store.tables import Athlete, Entry
from service.store.types import now

FAULTS_KEPT = 1000
Athletes = Mapping[str, Athlete]  # by external_id


class Progress:
    """What an import has done so far."""

    def __init__(self) -> None:
        self.lines_read = self.lines_kept = self.lines_faulty = 0
        self.faults: list[dict[str, Any]] = []

    def refuse(self, number: int, faults: Sequence[Fault]) -> None:
        """Note a line that is not kept; of very many the first in the file are told."""
        self.lines_faulty += 1
        self.faults += [{"line": number, **vars(fault)} for fault in faults]
        if len(self.faults) > 2 * FAULTS_KEPT:
            self.faults = self._first_faults()

    def _first_faults(self) -> list[dict[str, Any]]:
        return sorted(self.faults, key=lambda fault: int(fault["line"]))[:FAULTS_KEPT]

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
        return {**vars(self), "faults": self._first_faults(), "heard_at": now()}


_NEEDED: dict[str, ScopeName] = {
    "athlete": "athletes:write",
    "screening": "athletes:write",
    "restriction": "coaching:write",
    "phase": "coaching:write",
    "targets": "coaching:write",
}


@dataclass(frozen=True)
class Good:
    """The good lines of a window, by what becomes of them; each in the file's order."""

    athletes: list[Line]
    plans: list[Line]  # phases and targets: they wait for all that the file says of their athletes (`import_plans`)
    others: dict[str, list[Line]]  # by type


@dataclass(frozen=True)
class Ready:
    """A window whose entries wait to be written, worked out from the athletes as they were read."""

    good: Good
    athletes: Athletes
    progress: Progress  # when it is written
    entries: Prepared
    one_by_one: list[tuple[str, Line]]  # restrictions and screenings


def sort_lines(caller: Principal, lines: Iterable[Line | BadLine], progress: Progress) -> Good:
    """Sort the lines of a window by what becomes of them, and note the faulty ones."""
    good: dict[str, list[Line]] = defaultdict(list)
    for line in lines:
        progress.lines_read += 1
        if isinstance(line, BadLine):
            progress.refuse(line.number, line.faults)
        elif not caller.may(_NEEDED.get(line.kind, "entries:write")):
            detail = f"the key lacks the scope {_NEEDED.get(line.kind)}"
            progress.refuse(line.number, [Fault(pointer="", code="forbidden", detail=detail)])
        else:
            good[line.kind].append(line)
    plans = sorted([*good.pop("phase", []), *good.pop("targets", [])], key=lambda line: line.number)
    return Good(good.pop("athlete", []), plans, good)


async def prepare_window(scope: Scope, caller: Principal, good: Good, before: Progress) -> Ready:
    """Work out what is to be written of a window whose athletes are kept; no transaction is needed."""
    progress = before.copy()
    names = {line.athlete for lines in good.others.values() for line in lines}
    athletes = {row.external_id: row for row in await scope.all(Athlete, _of_names(scope, names))}
    told: dict[type[Entry], Told] = {}
    declarations: dict[DayKey, Declaration] = {}
    one_by_one: list[tuple[str, Line]] = []
    for kind, lines in good.others.items():
        known = _of_known_athletes(lines, athletes, progress)
        if kind in ENTRY_KINDS:
            entries = _new_entries(scope, known, athletes, progress)
            told[ENTRY_KINDS[kind].table] = Told(entries, ENTRY_KINDS[kind].history(caller.key_id))
        elif kind == "food_day":
            declarations = _declarations(scope, known, athletes, progress)
        else:
            one_by_one += [(kind, line) for line in known]
    return Ready(good, athletes, progress, await prepare(scope, told, declarations), one_by_one)


async def put_window(scope: Scope, caller: Principal, ready: Ready, before: Progress) -> Progress:
    """Write a window in a transaction; worked out again where somebody else has written of its athletes meanwhile."""
    if await _changed(scope, ready.athletes):
        ready = await prepare_window(scope, caller, ready.good, before)
    progress = ready.progress.copy()
    for kind, line in ready.one_by_one:
        athlete = ready.athletes[line.athlete]
        if kind == "restriction":
            await _one(progress, line, _keep_restriction(scope, athlete, line.body))
        else:
            await _one(progress, line, _keep_screening(scope, caller, athlete, line.body))
    await put(scope, ready.entries)
    return progress


def _of_names(scope: Scope, names: Iterable[str]) -> Select[Any]:
    """Athletes by external_id, in one order for all, against deadlocks."""
    return scope.select(Athlete).where(ATHLETE.c.external_id.in_(set(names))).order_by(ATHLETE.c.id)


async def _locked_athletes(scope: Scope, names: Iterable[str]) -> dict[str, Athlete]:
    """The rows of athletes by external_id."""
    return {row.external_id: row for row in await scope.all(Athlete, locked(_of_names(scope, names)))}


async def _one(progress: Progress, line: Line, work: Coroutine[Any, Any, Any]) -> None:
    try:
        await work
    except Problem as problem:
        progress.refuse(line.number, _faults_of(problem))
    else:
        progress.lines_kept += 1


def _faults_of(problem: Problem) -> Sequence[Fault]:
    detail = Fault(pointer="", code=problem.slug.replace("-", "_"), detail=problem.detail)
    return problem.faults or [detail]


async def keep_athletes(scope: Scope, lines: Sequence[Line], progress: Progress) -> None:
    """Keep what is said of athletes."""
    athletes = await _locked_athletes(scope, [line.athlete for line in lines])
    new: dict[str, Line] = {}
    for line in lines:
        if line.athlete not in athletes:
            new.setdefault(line.athlete, line)
    made: dict[str, dict[str, Any]] = {}
    for name, line in sorted(new.items()):
        try:
            made[name] = new_athlete(scope, line.body)
        except Problem as problem:
            progress.refuse(line.number, _faults_of(problem))
    if made:
        columns = {column: [values[column] for values in made.values()] for column in next(iter(made.values()))}
        await bulk.insert_new(scope, Athlete, columns, key=("practice_id", "external_id"))
        athletes |= await _locked_athletes(scope, made)
        ours = {name for name, values in made.items() if athletes[name].id == values["id"]}  # not another import's
        progress.lines_kept += len(ours)
        new = {name: line for name, line in new.items() if name in ours or name not in made}
    changing = [line for line in lines if new.get(line.athlete) is not line]
    for line in changing:
        await _one(progress, line, _change_athlete(scope, line, athletes))


async def _change_athlete(scope: Scope, line: Line, athletes: dict[str, Athlete]) -> None:
    """Store what a line says anew of an athlete."""
    if line.athlete not in athletes:  # an earlier line of the athlete was refused
        athletes[line.athlete] = await insert_athlete(scope, line.body)
        return
    said = {name: value for name, value in line.body.model_dump().items() if name in line.body.model_fields_set}
    if line.body.goal is not None:
        said["goal"] = line.body.goal.model_dump(mode="json")  # as it is stored: its date is text there
    before = values_of(athletes[line.athlete])
    if any(before[name] != value for name, value in said.items()):
        await update_athlete(scope, athletes[line.athlete], said)
        athletes |= await _locked_athletes(scope, [line.athlete])


def _of_known_athletes(lines: Sequence[Line], athletes: Athletes, progress: Progress) -> list[Line]:
    known = []
    for line in lines:
        if line.athlete in athletes:
            known.append(line)
        else:
            detail = f"there is no athlete with external_id {line.athlete!r}"
            progress.refuse(line.number, [Fault(pointer="/athlete", code="unknown_athlete", detail=detail)])
    return known


def _new_entries(scope: Scope, lines: Sequence[Line], athletes: Athletes, progress: Progress) -> list[NewEntry]:
    """What the lines say, dated where their athletes live."""
    entries = []
    spans = {name: days_of_log(scope, athlete) for name, athlete in athletes.items()}
    for line in lines:
        athlete, said = athletes[line.athlete], line.body
        first, last = spans[line.athlete]
        day = said.date if said.at is None else local_date(said, athlete)
        if not first <= day <= last or (said.date is not None and said.date != day):
            progress.refuse(line.number, date_faults(scope, said, athlete))
            continue
        entries.append(NewEntry(athlete.id, day, said.at, said.ref, said.note, said.content))
    progress.lines_kept += len(entries)
    return entries


def _declarations(
    scope: Scope, lines: Sequence[Line], athletes: Athletes, progress: Progress
) -> dict[DayKey, Declaration]:
    """What is said of whole days."""
    declarations: dict[DayKey, Declaration] = {}
    for line in lines:
        faults = day_faults(scope, line.body.date, athletes[line.athlete])
        if faults:
            progress.refuse(line.number, faults)
            continue
        progress.lines_kept += 1
        declarations[athletes[line.athlete].id, line.body.date] = line.body.declaration()
    return declarations


async def _keep_restriction(scope: Scope, athlete: Athlete, body: RestrictionBody) -> None:
    """A region's restriction since a day is one, also when the file says more of it later."""
    if faults := restriction_faults(scope, body, athlete):
        raise Invalid(faults[0].detail, faults)
    await put_restriction(scope, athlete.id, body.said())


async def _keep_screening(scope: Scope, caller: Principal, athlete: Athlete, body: ScreeningBody) -> None:
    """Answers that differ from the latest are new ones; the same file again is no new answer."""
    old, answers = await latest_screening(scope, athlete.id), body.answers()
    refuse_answers(scope, caller, body, athlete, old)
    if old is None or {name: said for name, said in old.answers.items() if said is not None} != answers:
        await answer_screening(scope, athlete.id, answers)


@dataclass(frozen=True)
class ReadyPlans:
    """Phases and targets that wait to be kept, worked out from the athletes as they were read."""

    lines: Sequence[Line]
    to_come: bool
    athletes: Athletes
    judged: Judged


async def prepare_plans(scope: Scope, lines: Sequence[Line], *, to_come: bool) -> ReadyPlans:
    """Work out what phases and targets are judged by: those that begin after today, or first the others."""
    wanted = _of_names(scope, (line.athlete for line in lines))
    athletes = {row.external_id: row for row in await scope.all(Athlete, wanted)}
    known = in_plans([line for line in lines if line.athlete in athletes])
    return ReadyPlans(lines, to_come, athletes, await judge_plans(scope, known, athletes, to_come=to_come))


async def put_plans(scope: Scope, ready: ReadyPlans, before: Progress) -> Progress:
    """Keep phases and targets, but for those that the safety gate refuses; in a transaction."""
    if await _changed(scope, ready.athletes):
        ready = await prepare_plans(scope, ready.lines, to_come=ready.to_come)
    progress = before.copy()
    if not ready.to_come:
        _of_known_athletes(ready.lines, ready.athletes, progress)
    refused = await keep_plans(scope, ready.judged, ready.athletes)
    for number in ready.judged.numbers:
        if number in refused:
            progress.refuse(number, refused[number])
        else:
            progress.lines_kept += 1
    return progress


async def _changed(scope: Scope, athletes: Athletes) -> bool:
    """Whether anything was stored of athletes since they were read; from here on they are held."""
    read = list(athletes.values())
    present = await held(scope, read)
    return len(present) < len(read) or bool(changed_meanwhile(present, read))
