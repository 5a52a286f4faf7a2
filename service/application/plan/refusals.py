"""The safety gate before a change of plan: hard limits refuse it, soft ones must be acknowledged.

The faults of a refusal point to the fields of what was handed over (`PhasePlan`, `TargetsPlan`, `CoachDecision`).
"""

import uuid
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta

from sqlalchemy import func

from service.application.evidence.gather import evidence_on
from service.application.plan.phases import PhasePlan
from service.application.plan.targets import TargetsPlan
from service.application.schedule import today_of
from service.catalogue.sentences import render
from service.domain.evidence import Evidence, Targets
from service.domain.policy import Policy
from service.domain.rules.amendments import Change, check_change
from service.domain.rules.findings import Finding, Severity
from service.domain.rules.plan_sense import check_energy, check_grams
from service.domain.rules.proposals import deepens
from service.domain.rules.rulebook import RULE
from service.domain.rules.timeline import Planned, changes, with_step
from service.domain.sentence import say
from service.errors import Fault, Invalid
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, AthleteDay, Phase, Target, WellbeingNote

SILENCE = timedelta(days=28)
_SINCE_A_REVIEW = (
    "screening.", "loss.", "floor.", "limit.energy_floor", "wellbeing.strain", *(f"safety.{name}" for name in (
        "pregnancy", "minor", "eating_disorder", "glucose_medication", "kidney_disease", "heart_or_metabolic",
        "symptom", "menses_missing", "period_late",
    )),
)  # fmt: skip


async def judged_on(
    scope: Scope, athletes: Mapping[uuid.UUID, Athlete], on: Mapping[uuid.UUID, date]
) -> dict[uuid.UUID, date]:
    """The day by whose evidence a change from `on` is judged, by athlete: today, if anything is known of it.

    A plan of the past (a history taken over, a year tried out) of whose athlete nothing was heard for four weeks is
    judged by the day it begins or the last entry of any kind, whichever is later: to carry a body through months
    without an entry would be invention.
    """
    heard = {who: on[who] for who in athletes}
    for table in (AthleteDay, WellbeingNote):
        column = table_of(table).c
        last = scope.select(column.athlete_id, func.max(column.date).label("on"), of=[table])
        for row in await scope.rows(last.where(column.athlete_id.in_(athletes)).group_by(column.athlete_id)):
            heard[row.athlete_id] = max(heard[row.athlete_id], row.on)
    today = {who: today_of(scope, athlete) for who, athlete in athletes.items()}
    return {who: today[who] if today[who] - day <= SILENCE else day for who, day in heard.items()}


async def day_judged(scope: Scope, athlete: Athlete, on: date) -> date:
    """As `judged_on`, for one athlete."""
    return (await judged_on(scope, {athlete.id: athlete}, {athlete.id: on}))[athlete.id]


async def plans_of(scope: Scope, ids: Collection[uuid.UUID]) -> dict[uuid.UUID, list[Planned]]:
    """The stored phases and targets of some athletes, as steps of their plans."""
    plans: dict[uuid.UUID, list[Planned]] = defaultdict(list)
    for phase in await scope.all(Phase, scope.select(Phase).where(table_of(Phase).c.athlete_id.in_(ids))):
        plans[phase.athlete_id].append(PhasePlan.of(phase).step(phase.id))
    for targets in await scope.all(Target, scope.select(Target).where(table_of(Target).c.athlete_id.in_(ids))):
        plans[targets.athlete_id].append(TargetsPlan.of(targets).step(targets.id))
    return plans


async def altered(scope: Scope, athlete: Athlete, steps: Sequence[Planned]) -> tuple[Change, ...]:
    """What steps make other than it is, today or later, however they are dated.

    What something later has replaced already is history, and changes nothing.
    """
    before = (await plans_of(scope, [athlete.id]))[athlete.id]
    after = before
    for step in steps:
        after = with_step(after, step)
    return changes(before, after, today_of(scope, athlete))


async def against_step(
    scope: Scope, athlete: Athlete, step: Planned, grams: Mapping[str, float | None] | None = None
) -> list[Finding]:
    """What stands against a phase or targets, by what is known today (`judged_on`): this morning's notes count.

    Limits, an energy that does not fit its phase, and `grams`, energy and macronutrients that do not fit each other or
    the body.
    """
    before, today = (await plans_of(scope, [athlete.id]))[athlete.id], today_of(scope, athlete)
    altering = changes(before, with_step(before, step), today)
    replaced = any(step.on < other.on <= today and other.key != step.key for other in before)
    if not altering and (grams is None or replaced):
        return []
    evidence, policy = await evidence_on(scope, athlete, await day_judged(scope, athlete, step.on))
    against = [finding for change in altering for finding in check_change(evidence, policy, change)]
    against += [finding for change in altering for finding in check_energy(evidence, policy, change)]
    return against if grams is None else against + check_grams(evidence, policy, grams)


def refuse_outdated(evidence: Evidence, policy: Policy, acknowledged: Collection[str], change: Change) -> None:
    """Let a recommendation take effect, or say what has closed the gate since it was made.

    A deficit that was within its cap counts as broken where a review of today would raise it.

    Raises
    ------
    Invalid
        If it starts or deepens a deficit that may not be any more.
    """
    if not deepens(evidence, policy, change.energy_kcal, change.phase):
        return
    against = [found for found in check_change(evidence, policy, change) if found.code.startswith(_SINCE_A_REVIEW)]
    if change.energy_kcal is not None:
        capped = RULE["limit.deficit"](replace(evidence, targets=Targets(change.energy_kcal)), policy)
        against += [replace(capped, severity=Severity.STOP)] if capped is not None else []
    refuse(against, acknowledged, "/decision")


def refuse(against: Sequence[Finding], acknowledged: Collection[str], place: str) -> None:
    """Let a change pass, or say what stands against it, each code once.

    Raises
    ------
    Invalid
        If it breaks a hard limit (at `place`), or passes a soft one that is not acknowledged.
    """
    against = list({finding.code: finding for finding in reversed(against)}.values())[::-1]
    hard = hard_faults(against, place)
    if hard:
        raise Invalid(render(say("refusal.hard_limit"), say("caution")), hard)
    soft = [finding for finding in against if finding.code not in acknowledged]
    if soft:
        faults = [
            Fault(pointer="/acknowledge", code=finding.code, detail=render(finding.statement)) for finding in soft
        ]
        raise Invalid(render(say("refusal.acknowledge")), faults)


def hard_faults(against: Sequence[Finding], place: str) -> list[Fault]:
    """The hard limits among findings as faults, at the field that breaks them."""
    return [
        Fault(pointer=_field(finding.code, place), code=finding.code, detail=render(finding.statement))
        for finding in against
        if finding.severity is Severity.STOP
    ]


def _field(code: str, place: str) -> str:
    """Of a change at `place` the field that breaks a limit: its energy or eating window, where the limit is theirs."""
    if code == "safety.eating_window":
        return place.rpartition("/")[0] + "/eating_window"
    return place.replace("/kind", "/energy_kcal") if code.startswith("limit.") else place
