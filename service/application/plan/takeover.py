"""Phases and targets of a file: kept at its end, when all that the file says is known, behind the safety gate.

What something later has replaced before today is history and kept as it was. What is to begin today or later meets
all hard limits. What runs already is a record of what is: only what the referral list forbids is refused of it. Energy
under the floor and what the scale says (too fast, too lean, too large a deficit) are for the first review, which names
it and raises or stops. Soft limits refuse nothing: reviews speak of them, an unanswered screening first.
"""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from service.application.evidence.gather import evidence_for
from service.application.plan.phases import PhasePlan, put_phase
from service.application.plan.refusals import hard_faults, judged_on, plans_of
from service.application.plan.targets import TargetsPlan, put_targets
from service.application.schedule import today_of
from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules.amendments import check_change
from service.domain.rules.timeline import Planned, changes, with_step
from service.errors import Fault
from service.store.scope import Scope
from service.store.tables import Athlete

Known = Mapping[uuid.UUID, tuple[Evidence, Policy]]


@dataclass(frozen=True)
class PlanLine:
    """A line of a file, by its number, and the phase or targets that it puts into the plan."""

    number: int
    plan: PhasePlan | TargetsPlan

    @property
    def step(self) -> Planned:
        """The same as a step of the plan."""
        return self.plan.step()


@dataclass(frozen=True)
class Judged:
    """Lines of some athletes, by name, that are to be kept in this order, with what they are judged by."""

    lines: Mapping[str, Sequence[PlanLine]]
    plans: Mapping[uuid.UUID, Sequence[Planned]]  # as stored
    known: Known

    @property
    def numbers(self) -> list[int]:
        """Of the lines."""
        return [line.number for own in self.lines.values() for line in own]


async def judge_plans(
    scope: Scope, lines: Mapping[str, Sequence[PlanLine]], athletes: Mapping[str, Athlete], *, to_come: bool
) -> Judged:
    """Work out what the phases and targets of some athletes are judged by; no transaction is needed.

    Those up to today go first, the newest before the older ones, so that a line is known to be history when it is
    kept; what is to come is judged when they are kept.

    Parameters
    ----------
    lines : mapping
        By the athlete's name in the file, in the file's order.
    athletes : mapping
        By the same name.
    to_come : bool
        The lines that begin after today, or the others.
    """
    stored = await plans_of(scope, [athletes[name].id for name in lines])
    wanted = {name: _chosen(own, today_of(scope, athletes[name]), to_come) for name, own in lines.items()}
    altering = [
        athletes[name] for name, own in wanted.items() if _alters(scope, own, stored[athletes[name].id], athletes[name])
    ]
    latest = {athletes[name].id: max(line.step.on for line in own) for name, own in wanted.items() if own}
    known = await _evidence(scope, {athlete.id: athlete for athlete in altering}, latest)
    return Judged(wanted, stored, known)


async def keep_plans(scope: Scope, judged: Judged, athletes: Mapping[str, Athlete]) -> dict[int, list[Fault]]:
    """Keep them, on a transaction that holds the athletes, of whom nothing may have been stored since.

    Returns the lines that the gate refuses, by number, with their faults.
    """
    refused: dict[int, list[Fault]] = {}
    for name, own in judged.lines.items():
        refused |= await _keep(scope, athletes[name], own, judged.plans[athletes[name].id], judged.known)
    return refused


def _chosen(lines: Sequence[PlanLine], today: date, to_come: bool) -> list[PlanLine]:
    if to_come:
        return sorted((line for line in lines if line.step.on > today), key=lambda line: line.step.on)
    begun = [line for line in lines if line.step.on <= today]
    return sorted(begun, key=lambda line: line.step.on, reverse=True)  # stable: twins stay in the file's order


def _alters(scope: Scope, lines: Sequence[PlanLine], plan: Sequence[Planned], athlete: Athlete) -> bool:
    after = plan
    for line in lines:
        after = with_step(after, line.step)
    return bool(changes(plan, after, today_of(scope, athlete)))


async def _evidence(scope: Scope, athletes: Mapping[uuid.UUID, Athlete], latest: Mapping[uuid.UUID, date]) -> Known:
    by_day: dict[date, list[Athlete]] = defaultdict(list)
    for who, day in (await judged_on(scope, athletes, latest)).items():
        by_day[day].append(athletes[who])
    known: dict[uuid.UUID, tuple[Evidence, Policy]] = {}
    for day, some in by_day.items():
        for batch in await evidence_for(scope, some, [day]):
            for athlete in batch.roster.athletes:
                known[athlete.id] = batch.evidence[athlete.id, day], batch.policies[athlete.id].policy
    return known


async def _keep(
    scope: Scope, athlete: Athlete, lines: Sequence[PlanLine], plan: Sequence[Planned], known: Known
) -> dict[int, list[Fault]]:
    refused = {}
    for line in lines:
        after = with_step(plan, line.step)
        faults = _faults(line, plan, after, today_of(scope, athlete), known.get(athlete.id))
        if faults:
            refused[line.number] = faults
            continue
        plan = after
        if isinstance(line.plan, PhasePlan):
            await put_phase(scope, athlete.id, line.plan)
        else:
            await put_targets(scope, athlete.id, line.plan)
    return refused


def _faults(
    line: PlanLine,
    before: Sequence[Planned],
    after: Sequence[Planned],
    today: date,
    known: tuple[Evidence, Policy] | None,
) -> list[Fault]:
    altering = changes(before, after, today)
    if not altering or known is None:
        return []
    against = [finding for change in altering for finding in check_change(*known, change)]
    if line.step.on < today:
        against = [finding for finding in against if finding.code.startswith("safety.")]
    place = "/kind" if isinstance(line.plan, PhasePlan) else "/energy_kcal"
    return hard_faults(list({finding.code: finding for finding in against}.values()), place)
