"""Decisions: what the coach's answer to a recommendation sets in motion."""

import uuid
from datetime import date, datetime, timedelta
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from service.api.fields import Acknowledged, Answer, Body, Date, Note, Number, fault
from service.api.phases import PhaseBody, put_phase
from service.api.safety import (
    Kind,
    altered,
    evidence_on,
    judged_on,
    planned_phase,
    planned_targets,
    refuse,
    refuse_outdated,
    today_of,
)
from service.api.targets import put_target
from service.auth import Principal
from service.domain.amendments import Change, check_change
from service.domain.arbiter import targets_body
from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.safety import Gate, gate, stricter
from service.domain.targets import macro_targets
from service.errors import Conflict
from service.store.scope import Scope, table_of
from service.store.tables import Decision, Review, Target
from service.store.types import new_id, now

_REVIEW, _TARGET = table_of(Review), table_of(Target)
LIVE_FOR = timedelta(days=7)  # an open review of an earlier week is of the past (made for it), and so are its effects


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
    acknowledge: Acknowledged = Field(default_factory=list)
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
        If an amendment breaks a hard limit, or passes a soft one that is not acknowledged; or if the gate has closed
        since the review that is accepted.
    """
    if review.state != "open":
        raise Conflict(f"the review is {review.state}; only an open one can be decided")
    effect: dict[str, Any] = {"effective_on": None, "targets": None, "phase": None}
    if body.decision == "accepted":
        effect = await _accepted(scope, athlete, review, body.acknowledge)
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
        "effect": {name: value and str(value) if name == "effective_on" else value for name, value in effect.items()},
        "key_id": caller.key_id,
        "decided_at": now(),
    }
    await scope.insert(Decision, [row])
    return DecisionAnswer.model_validate({**row, **effect})


def earliest_effect(athlete: Any, review: Any) -> date:
    """The first day that a decision can still touch: the day after `as_of`, or today for a review of these days."""
    after: date = review.as_of + timedelta(days=1)
    today = today_of(athlete)
    return after if today - after > LIVE_FOR else max(after, today)


def _effect(recommendation: dict[str, Any], earliest: date) -> dict[str, Any]:
    """What following the recommendation means: a phase and targets from a date on."""
    phase = recommendation["phase"]
    on = max(date.fromisoformat(phase["on"]), earliest) if phase else earliest
    return {"effective_on": on, "targets": recommendation["targets"], "phase": phase and {**phase, "on": str(on)}}


async def _accepted(scope: Scope, athlete: Any, review: Any, acknowledged: list[str]) -> dict[str, Any]:
    """The effect of a recommendation, after the gate again: since the review lie days, with symptoms and new answers.

    An eating window that was recommended before the athlete came onto the referral list is left out.
    """
    effect = _effect(review.document["recommendation"], earliest_effect(athlete, review))
    targets, phase = effect["targets"], effect["phase"]
    on = effect["effective_on"]
    if phase is None and (targets is None or await _in_force(scope, athlete.id, on, targets)):
        return effect  # nothing changes
    day = (await judged_on(scope, {athlete.id: athlete}, {athlete.id: on}))[athlete.id]
    evidence, policy = await evidence_on(scope, athlete, day)
    change = Change(
        targets and targets["energy_kcal"], phase and phase["to"], phase and date.fromisoformat(phase["on"])
    )
    refuse_outdated(evidence, policy, acknowledged, change)
    if targets is not None and gate(evidence, policy).on_referral_list:
        effect["targets"] = {**targets, "eating_window": None}
    return effect


async def _amended(scope: Scope, athlete: Any, review: Any, body: DecisionBody, changes: ChangesBody) -> dict[str, Any]:
    """The effect of an amendment, past the gate of the review's day and, for what holds from today on, today's."""
    phase = changes.phase
    on = phase.on if phase else earliest_effect(athlete, review)
    today = (await judged_on(scope, {athlete.id: athlete}, {athlete.id: on}))[athlete.id]
    evidence, policy = await evidence_on(scope, athlete, review.as_of)
    latest = evidence if review.as_of == today else (await evidence_on(scope, athlete, today))[0]
    to, ends_on = (phase.to, phase.planned_end_on) if phase else (None, None)
    recommended = review.document["recommendation"]
    energy = changes.energy_kcal if changes.energy_kcal is not None else recommended["energy_kcal"]["to"]
    opened = stricter(gate(evidence, policy), gate(latest, policy))
    targets = _targets(evidence, policy, opened, energy, to)
    steps = []
    if phase is not None:
        row = {"kind": to, "starts_on": on, "planned_end_on": ends_on, "energy_kcal": energy}
        steps.append(planned_phase(row))
    if targets is not None:
        steps.append(planned_targets({"from_date": on, **targets}))
    against = check_change(evidence, policy, Change(energy, to, on if phase else None, ends_on))
    for change in await altered(scope, athlete, *steps):
        against += check_change(latest, policy, change)
    refuse(against, body.acknowledge, "/changes/phase" if changes.energy_kcal is None else "/changes/energy_kcal")
    return {
        "effective_on": on,
        "targets": targets,
        "phase": phase and {"to": to, "on": str(on), "planned_end_on": ends_on and str(ends_on)},
    }


def _targets(
    evidence: Evidence, policy: Policy, opened: Gate, energy_kcal: float | None, kind: Kind | None
) -> dict[str, Any] | None:
    if energy_kcal is None:
        return None
    targets = macro_targets(
        evidence,
        policy,
        kind or evidence.kind,
        energy_kcal,
        window=opened.window_open,
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
    if targets is not None and not await _in_force(scope, athlete_id, effect["effective_on"], targets):
        await put_target(scope, athlete_id, {"from_date": effect["effective_on"], **targets, "review_id": review_id})


async def _in_force(scope: Scope, athlete_id: uuid.UUID, on: date, targets: dict[str, Any]) -> bool:
    """Whether the athlete has these very targets already."""
    latest = scope.select(Target).where(_TARGET.c.athlete_id == athlete_id, _TARGET.c.from_date <= on)
    row = await scope.first(latest.order_by(_TARGET.c.from_date.desc()).limit(1))
    return row is not None and all(row._mapping[name] == value for name, value in targets.items())
