"""Phases and targets of an import: kept at its end, when all that the file says is known, behind the safety gate.

What something later has replaced before today is history and kept as it was. What is to begin today or later meets
all hard limits. What runs already is a record of what is: only what nobody should have planned is refused of it, that
is whatever the referral list forbids and energy under the floor; what the scale says of it (too fast, too lean, too
large a deficit) is for the first review, which stops it. Soft limits refuse nothing: reviews speak of them, an
unanswered screening first.
"""

import uuid
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from service.api.import_lines import Line
from service.api.phases import put_phase
from service.api.safety import (
    evidence_of_all,
    hard_faults,
    judged_on,
    planned_phase,
    planned_targets,
    plans_of,
)
from service.api.targets import in_kilocalories, put_target
from service.application.schedule import today_of
from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules.amendments import check_change
from service.domain.rules.timeline import Planned, changes, with_step
from service.errors import Fault
from service.store.scope import Scope

BATCH = 200  # athletes whose evidence is worked out together, and a transaction
Known = Mapping[uuid.UUID, tuple[Evidence, Policy]]


@dataclass(frozen=True)
class _Step:
    """A line, what it puts into the plan, and the columns to store."""

    line: Line
    planned: Planned
    values: dict[str, Any]


def in_batches(lines: Sequence[Line]) -> Iterator[list[Line]]:
    """The lines by athletes, some athletes at once, each athlete's in the file's order."""
    whose: dict[str, list[Line]] = defaultdict(list)
    for line in lines:
        whose[line.athlete].append(line)
    names = list(whose)
    for start in range(0, len(names), BATCH):
        yield [line for name in names[start : start + BATCH] for line in whose[name]]


async def keep_plans(scope: Scope, lines: Sequence[Line], athletes: Mapping[str, Any]) -> dict[int, list[Fault]]:
    """Keep phases and targets of some athletes; the lines that the gate refuses, by number, with their faults.

    The newest up to today go first, so that a line is known to be history when it is kept; then what is to come.
    """
    steps: dict[str, list[_Step]] = defaultdict(list)
    for line in lines:
        steps[line.athlete].append(_step(line))
    refused: dict[int, list[Fault]] = {}
    for to_come in (False, True):
        stored = await plans_of(scope, [athletes[name].id for name in steps])
        wanted = {name: _chosen(own, today_of(athletes[name]), to_come) for name, own in steps.items()}
        asked = [
            athletes[name] for name, own in wanted.items() if _alters(own, stored[athletes[name].id], athletes[name])
        ]
        latest = {athletes[name].id: max(one.planned.on for one in own) for name, own in wanted.items() if own}
        known = await _evidence(scope, {athlete.id: athlete for athlete in asked}, latest)
        for name, own in wanted.items():
            refused |= await _keep(scope, athletes[name], own, stored[athletes[name].id], known)
    return refused


def _step(line: Line) -> _Step:
    if line.kind == "phase":
        values = line.body.columns()
        return _Step(line, planned_phase(values), values)
    values = in_kilocalories(line.body.model_dump(exclude={"acknowledge"}))
    return _Step(line, planned_targets(values), values)


def _chosen(steps: Sequence[_Step], today: date, to_come: bool) -> list[_Step]:
    if to_come:
        return sorted((one for one in steps if one.planned.on > today), key=lambda one: one.planned.on)
    begun = [one for one in steps if one.planned.on <= today]
    return sorted(begun, key=lambda one: one.planned.on, reverse=True)  # stable: twins stay in the file's order


def _alters(steps: Sequence[_Step], plan: Sequence[Planned], athlete: Any) -> bool:
    after = plan
    for one in steps:
        after = with_step(after, one.planned)
    return bool(changes(plan, after, today_of(athlete)))


async def _evidence(scope: Scope, athletes: Mapping[uuid.UUID, Any], latest: Mapping[uuid.UUID, date]) -> Known:
    by_day: dict[date, list[Any]] = defaultdict(list)
    for who, day in (await judged_on(scope, athletes, latest)).items():
        by_day[day].append(athletes[who])
    known: dict[uuid.UUID, tuple[Evidence, Policy]] = {}
    for today, some in by_day.items():
        known |= await evidence_of_all(scope, some, today)
    return known


async def _keep(
    scope: Scope, athlete: Any, steps: Sequence[_Step], plan: Sequence[Planned], known: Known
) -> dict[int, list[Fault]]:
    refused = {}
    for one in steps:
        after = with_step(plan, one.planned)
        faults = _faults(one, plan, after, today_of(athlete), known.get(athlete.id))
        if faults:
            refused[one.line.number] = faults
            continue
        plan = after
        if one.line.kind == "phase":
            await put_phase(scope, athlete.id, one.line.body)
        else:
            await put_target(scope, athlete.id, one.values)
    return refused


def _faults(
    step: _Step, before: Sequence[Planned], after: Sequence[Planned], today: date, known: tuple[Evidence, Policy] | None
) -> list[Fault]:
    wanted = changes(before, after, today)
    if not wanted or known is None:
        return []
    place = "/kind" if step.line.kind == "phase" else "/energy_kcal"
    found = [finding for change in wanted for finding in check_change(*known, change)]
    if step.planned.on < today:
        found = [one for one in found if one.code.startswith("safety.") or one.code == "limit.energy_floor"]
    return hard_faults(list({one.code: one for one in found}.values()), place)
