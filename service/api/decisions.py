"""Decisions: what the coach's answer to a recommendation sets in motion."""

import uuid
from datetime import date, datetime, timedelta
from typing import Annotated, Any, Literal, Self

from fastapi.concurrency import run_in_threadpool
from pydantic import Field, model_validator

from service.api.fields import Answer, Body, Date, Note, Number, ShortText, fault
from service.api.phases import PhaseBody, put_phase
from service.api.targets import put_target
from service.auth import Principal
from service.domain.amendments import check_change
from service.domain.arbiter import targets_body
from service.domain.evidence import Evidence
from service.domain.findings import Severity
from service.domain.policy import DEFAULT
from service.domain.safety import gate
from service.domain.targets import macro_targets
from service.errors import Conflict, Fault, Invalid
from service.evidence import evidence_of, load_notes
from service.roster import estimate_roster, load
from service.store.scope import Scope, table_of
from service.store.tables import Decision, Review
from service.store.types import new_id, now

_REVIEW = table_of(Review)
Kind = Literal["build", "cut", "maintain"]


class PhaseChangeBody(Body):
    """Another phase than the one recommended."""

    to: Kind
    on: Date
    planned_end_on: Date | None = None


class ChangesBody(Body):
    """What the coach does differently."""

    energy_kcal: Annotated[Number, Field(ge=500, le=10000)] | None = None
    phase: PhaseChangeBody | None = None


class DecisionBody(Body):
    """The coach's answer."""

    decision: Literal["accepted", "amended", "declined"]
    changes: ChangesBody | None = None
    acknowledge: Annotated[list[ShortText], Field(max_length=50, default_factory=list)]
    note: Note | None = None

    @model_validator(mode="after")
    def _changes_go_with_amended(self) -> Self:
        if (self.decision == "amended") != (self.changes is not None):
            raise fault("changes", "`changes` go with the decision `amended`, and with no other")
        return self


class DecisionAnswer(Answer):
    """A decision and what it set in motion."""

    id: uuid.UUID
    review_id: uuid.UUID
    decision: str
    changes: dict[str, Any] | None
    acknowledge: list[str]
    note: str | None
    key_id: uuid.UUID
    decided_at: datetime
    effective_on: date | None
    targets: dict[str, Any] | None
    phase: dict[str, Any] | None


async def decide(scope: Scope, caller: Principal, athlete: Any, review: Any, body: DecisionBody) -> DecisionAnswer:
    """Record the coach's answer to an open review and let it take effect.

    Raises
    ------
    Conflict
        If the review was answered already or has lapsed.
    Invalid
        If an amendment breaks a hard limit, or passes a soft one that is not acknowledged.
    """
    if review.state != "open":
        raise Conflict(f"the review is {review.state}; only an open one can be decided")
    recommendation = review.document["recommendation"]
    effect: dict[str, Any] = {"effective_on": None, "targets": None, "phase": None}
    if body.decision == "accepted":
        effect = _effect(recommendation, review.as_of)
    elif body.changes is not None:
        effect = await _amended(scope, athlete, review, body, body.changes)
    await _carry_out(scope, athlete.id, review.id, effect)
    changed = await scope.run(
        scope.update(Review)
        .where(_REVIEW.c.id == review.id, _REVIEW.c.revision == review.revision)
        .values(state=body.decision, revision=review.revision + 1, stale=review.stale)
    )
    if not changed:
        raise Conflict("somebody else answered at the same moment")
    row = {
        "id": new_id(),
        "athlete_id": athlete.id,
        "review_id": review.id,
        "decision": body.decision,
        "changes": body.changes.model_dump(mode="json", exclude_none=True) if body.changes else None,
        "acknowledge": body.acknowledge,
        "note": body.note,
        "key_id": caller.key_id,
        "decided_at": now(),
    }
    await scope.insert(Decision, [row])
    return DecisionAnswer.model_validate({**row, **effect})


def _effect(recommendation: dict[str, Any], as_of: date) -> dict[str, Any]:
    """What following the recommendation means: a phase and targets from a date on, where they change."""
    phase = recommendation["phase"]
    on = date.fromisoformat(phase["on"]) if phase else as_of + timedelta(days=1)
    energy = recommendation["energy_kcal"]
    changes = phase is not None or energy["from"] != energy["to"]
    targets = recommendation["targets"] if changes or recommendation["action"] == "hold" else None
    return {"effective_on": on, "targets": targets, "phase": phase}


async def _amended(scope: Scope, athlete: Any, review: Any, body: DecisionBody, changes: ChangesBody) -> dict[str, Any]:
    known = await load(scope, [athlete], review.as_of)
    notes = await load_notes(scope, [athlete.id], review.as_of)
    found = await run_in_threadpool(estimate_roster, known, main_lifts_only=True)
    evidence = evidence_of(known, found, notes, 0)
    phase = changes.phase
    recommended = review.document["recommendation"]
    energy = changes.energy_kcal if changes.energy_kcal is not None else recommended["energy_kcal"]["to"]
    _refuse(evidence, body, energy, phase)
    on = phase.on if phase else review.as_of + timedelta(days=1)
    said = phase and {
        "to": phase.to,
        "on": str(phase.on),
        "planned_end_on": phase.planned_end_on and str(phase.planned_end_on),
    }
    return {"effective_on": on, "targets": _targets(evidence, energy, phase.to if phase else None), "phase": said}


def _refuse(evidence: Evidence, body: DecisionBody, energy: float | None, phase: PhaseChangeBody | None) -> None:
    against = check_change(
        evidence, DEFAULT, energy, phase.to if phase else None, phase.planned_end_on if phase else None
    )
    place = (
        "/changes/phase"
        if phase is not None and body.changes and body.changes.energy_kcal is None
        else "/changes/energy_kcal"
    )
    hard = [found for found in against if found.severity is Severity.STOP]
    if hard:
        faults = [Fault(pointer=place, code=found.code, detail=found.statement) for found in hard]
        raise Invalid("a hard limit forbids this change", faults)
    soft = [found for found in against if found.code not in body.acknowledge]
    if soft:
        faults = [Fault(pointer="/acknowledge", code=found.code, detail=found.statement) for found in soft]
        raise Invalid("acknowledge these by their codes to go on", faults)


def _targets(evidence: Evidence, energy_kcal: float | None, kind: Kind | None) -> dict[str, Any] | None:
    if energy_kcal is None:
        return None
    opened = gate(evidence, DEFAULT)
    targets = macro_targets(
        evidence,
        DEFAULT,
        kind or evidence.kind,
        energy_kcal,
        window=not opened.on_referral_list,
        kidney=opened.kidney_closed,
    )
    return {"energy_kcal": energy_kcal} if targets is None else targets_body(targets)


async def _carry_out(scope: Scope, athlete_id: uuid.UUID, review_id: uuid.UUID, effect: dict[str, Any]) -> None:
    phase, targets = effect["phase"], effect["targets"]
    if phase is not None:
        energy = targets and targets["energy_kcal"]
        end = phase["planned_end_on"] and date.fromisoformat(phase["planned_end_on"])
        starts_on = date.fromisoformat(phase["on"])
        await put_phase(
            scope, athlete_id, PhaseBody(kind=phase["to"], starts_on=starts_on, planned_end_on=end, energy_kcal=energy)
        )
    if targets is not None:
        await put_target(scope, athlete_id, {"from_date": effect["effective_on"], **targets, "review_id": review_id})
