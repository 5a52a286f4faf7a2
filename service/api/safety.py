"""The safety gate in front of what a coach decides: hard limits refuse, soft ones must be acknowledged."""

from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any, Literal
from zoneinfo import ZoneInfo

from fastapi.concurrency import run_in_threadpool

from service.domain.amendments import check_change
from service.domain.arbiter import deepens
from service.domain.evidence import Evidence
from service.domain.findings import Finding, Severity
from service.domain.policy import Policy
from service.errors import Fault, Invalid
from service.evidence import evidence_of, load_notes
from service.policies import in_force
from service.roster import estimate_roster, load
from service.store.scope import Scope
from service.store.types import now

RECORD_AFTER = timedelta(days=7)  # a phase that starts in these days is a plan, however it is dated
Kind = Literal["build", "cut", "maintain"]


async def evidence_on(scope: Scope, athlete: Any, as_of: date) -> tuple[Evidence, Policy]:
    """What the rules know of an athlete on a date, and the policy in force."""
    known = await load(scope, [athlete], as_of)
    notes = await load_notes(scope, [athlete.id], as_of)
    policy = (await in_force(scope, [athlete.id]))[athlete.id].policy
    found = await run_in_threadpool(estimate_roster, known, main_lifts_only=True)
    return evidence_of(known, found, notes, 0), policy


def refuse_unsafe(
    evidence: Evidence,
    policy: Policy,
    acknowledged: Sequence[str],
    place: str,
    energy_kcal: float | None = None,
    phase: Kind | None = None,
    planned_end_on: date | None = None,
) -> None:
    """Let a change pass, or say what stands against it.

    Raises
    ------
    Invalid
        If the change breaks a hard limit (at `place`), or passes a soft one that is not acknowledged.
    """
    _refuse(check_change(evidence, policy, energy_kcal, phase, planned_end_on), acknowledged, place)


def refuse_outdated(
    evidence: Evidence,
    policy: Policy,
    acknowledged: Sequence[str],
    energy_kcal: float | None = None,
    phase: Kind | None = None,
) -> None:
    """Let a recommendation take effect, or say what has closed the gate since it was made.

    Raises
    ------
    Invalid
        If it starts or deepens a deficit that may not be any more.
    """
    if deepens(evidence, policy, energy_kcal, phase):
        against = check_change(evidence, policy, energy_kcal, phase)
        _refuse([found for found in against if found.code.startswith(_GATE)], acknowledged, "/decision")


_GATE = ("screening.", "loss.", "floor.", *(f"safety.{name}" for name in (
    "pregnancy", "minor", "eating_disorder", "glucose_medication", "kidney_disease", "heart_or_metabolic", "symptom",
    "menses_missing",
)))  # fmt: skip


def _refuse(against: Sequence[Finding], acknowledged: Sequence[str], place: str) -> None:
    hard = [found for found in against if found.severity is Severity.STOP]
    if hard:
        faults = [
            Fault(
                pointer=place.replace("/kind", "/energy_kcal") if found.code.startswith("limit.") else place,
                code=found.code,
                detail=found.statement,
            )
            for found in hard
        ]
        raise Invalid("a hard limit forbids this change", faults)
    soft = [found for found in against if found.code not in acknowledged]
    if soft:
        faults = [Fault(pointer="/acknowledge", code=found.code, detail=found.statement) for found in soft]
        raise Invalid("acknowledge these by their codes to go on", faults)


async def refuse_unsafe_plan(
    scope: Scope,
    athlete: Any,
    starts_on: date,
    acknowledged: Sequence[str],
    place: str,
    energy_kcal: float | None = None,
    phase: Kind | None = None,
    planned_end_on: date | None = None,
) -> None:
    """The gate for a phase that starts from a week ago on, or targets from today on; older ones are a record, and pass.

    Raises
    ------
    Invalid
        As `refuse_unsafe`.
    """
    today = now().astimezone(ZoneInfo(athlete.time_zone)).date()
    if starts_on >= today or (phase is not None and starts_on > today - RECORD_AFTER):
        evidence, policy = await evidence_on(scope, athlete, today)  # what was noted this morning counts
        refuse_unsafe(evidence, policy, acknowledged, place, energy_kcal, phase, planned_end_on)
