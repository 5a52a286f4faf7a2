"""The safety gate in front of what a coach decides: hard limits refuse, soft ones must be acknowledged."""

import uuid
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any, Literal

from sqlalchemy import func

from service.application.evidence.gather import evidence_for
from service.application.schedule import today_of
from service.domain.evidence import Evidence, Targets
from service.domain.policy import Policy
from service.domain.rules.amendments import Change, check_change
from service.domain.rules.arbiter import RULE, deepens
from service.domain.rules.findings import Finding, Severity
from service.domain.rules.plan_sense import check_energy, check_grams
from service.domain.rules.timeline import Planned, changes, with_step
from service.errors import Fault, Invalid
from service.store.scope import Scope, table_of
from service.store.tables import AthleteDay, Phase, Target, WellbeingNote

Kind = Literal["build", "cut", "maintain"]
SILENCE = timedelta(days=28)


async def judged_on(
    scope: Scope, athletes: Mapping[uuid.UUID, Any], on: Mapping[uuid.UUID, date]
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
    today = {who: today_of(athlete) for who, athlete in athletes.items()}
    return {who: today[who] if today[who] - day <= SILENCE else day for who, day in heard.items()}


async def day_judged(scope: Scope, athlete: Any, on: date) -> date:
    """As `judged_on`, for one athlete."""
    return (await judged_on(scope, {athlete.id: athlete}, {athlete.id: on}))[athlete.id]


async def evidence_on(scope: Scope, athlete: Any, as_of: date) -> tuple[Evidence, Policy]:
    """What the rules know of an athlete on a date, and the policy in force."""
    return (await evidence_of_all(scope, [athlete], as_of))[athlete.id]


async def evidence_of_all(
    scope: Scope, athletes: Sequence[Any], as_of: date
) -> dict[uuid.UUID, tuple[Evidence, Policy]]:
    """As `evidence_on`, for some athletes at once."""
    return {
        athlete.id: (batch.evidence[athlete.id, as_of], batch.policies[athlete.id].policy)
        for batch in await evidence_for(scope, athletes, [as_of])
        for athlete in batch.roster.athletes
    }


def planned_phase(row: Mapping[str, Any], key: uuid.UUID | None = None) -> Planned:
    """A phase, stored or still to be stored, as a step of the plan."""
    return Planned(key, row["starts_on"], row["energy_kcal"], row["kind"], row["planned_end_on"])


def planned_targets(row: Mapping[str, Any], key: uuid.UUID | None = None) -> Planned:
    """Targets, stored or still to be stored, as a step of the plan."""
    return Planned(key, row["from_date"], row["energy_kcal"], window=row.get("eating_window") is not None)


async def plans_of(scope: Scope, ids: Collection[uuid.UUID]) -> dict[uuid.UUID, list[Planned]]:
    """The stored phases and targets of some athletes."""
    found: dict[uuid.UUID, list[Planned]] = defaultdict(list)
    for row in await scope.rows(scope.select(Phase).where(table_of(Phase).c.athlete_id.in_(ids))):
        found[row.athlete_id].append(planned_phase(dict(row._mapping), row.id))
    for row in await scope.rows(scope.select(Target).where(table_of(Target).c.athlete_id.in_(ids))):
        found[row.athlete_id].append(planned_targets(dict(row._mapping), row.id))
    return found


async def altered(scope: Scope, athlete: Any, *steps: Planned) -> tuple[Change, ...]:
    """What phases or targets make other than it is, today or later, however they are dated.

    What something later has replaced already is history, and changes nothing.
    """
    before = (await plans_of(scope, [athlete.id]))[athlete.id]
    after = before
    for step in steps:
        after = with_step(after, step)
    return changes(before, after, today_of(athlete))


async def refuse_unsafe_step(
    scope: Scope,
    athlete: Any,
    step: Planned,
    acknowledged: Sequence[str],
    place: str,
    grams: Mapping[str, float | None] | None = None,
) -> None:
    """The gate for a phase or targets, by what is known today (`judged_on`): this morning's notes count.

    Also whether it makes sense: its energy for its phase, and `grams`, the targets' macronutrients and energy.

    Raises
    ------
    Invalid
        As `refuse`.
    """
    before, today = (await plans_of(scope, [athlete.id]))[athlete.id], today_of(athlete)
    wanted = changes(before, with_step(before, step), today)
    replaced = any(step.on < one.on <= today and one.key != step.key for one in before)
    if not wanted and (grams is None or replaced):
        return
    evidence, policy = await evidence_on(scope, athlete, await day_judged(scope, athlete, step.on))
    against = [found for change in wanted for found in check_change(evidence, policy, change)]
    against += [found for change in wanted for found in check_energy(evidence, policy, change)]
    if grams is not None:
        against += check_grams(evidence, policy, grams)
    refuse(against, acknowledged, place)


def refuse_outdated(evidence: Evidence, policy: Policy, acknowledged: Sequence[str], change: Change) -> None:
    """Let a recommendation take effect, or say what has closed the gate since it was made.

    A deficit that was within its cap counts as broken where a review of today would raise it.

    Raises
    ------
    Invalid
        If it starts or deepens a deficit that may not be any more.
    """
    if not deepens(evidence, policy, change.energy_kcal, change.phase):
        return
    against = [found for found in check_change(evidence, policy, change) if found.code.startswith(_GATE)]
    if change.energy_kcal is not None:
        capped = RULE["limit.deficit"](replace(evidence, targets=Targets(change.energy_kcal)), policy)
        against += [replace(capped, severity=Severity.STOP)] if capped is not None else []
    refuse(against, acknowledged, "/decision")


_GATE = ("screening.", "loss.", "floor.", "limit.energy_floor", *(f"safety.{name}" for name in (
    "pregnancy", "minor", "eating_disorder", "glucose_medication", "kidney_disease", "heart_or_metabolic", "symptom",
    "menses_missing",
)))  # fmt: skip


def refuse(against: Sequence[Finding], acknowledged: Sequence[str], place: str) -> None:
    """Let a change pass, or say what stands against it, each code once.

    Raises
    ------
    Invalid
        If it breaks a hard limit (at `place`), or passes a soft one that is not acknowledged.
    """
    against = list({found.code: found for found in reversed(against)}.values())[::-1]
    hard = hard_faults(against, place)
    if hard:
        raise Invalid("a hard limit forbids this change", hard)
    soft = [found for found in against if found.code not in acknowledged]
    if soft:
        faults = [Fault(pointer="/acknowledge", code=found.code, detail=found.statement) for found in soft]
        raise Invalid("acknowledge these by their codes to go on", faults)


def hard_faults(against: Sequence[Finding], place: str) -> list[Fault]:
    """The hard limits among findings as faults, at the field that breaks them."""
    return [
        Fault(pointer=_place(found.code, place), code=found.code, detail=found.statement)
        for found in against
        if found.severity is Severity.STOP
    ]


def _place(code: str, place: str) -> str:
    if code == "safety.eating_window":
        return place.rpartition("/")[0] + "/eating_window"
    return place.replace("/kind", "/energy_kcal") if code.startswith("limit.") else place
