"""Decisions: what the coach's answer to a recommendation sets in motion."""

import uuid
from collections.abc import Mapping
from datetime import date, datetime, timedelta
from typing import Annotated, Any, Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from service.api.http.fields import Acknowledged, Answer, Body, Date, Note, Number, fault
from service.api.phases import PhaseBody, put_phase
from service.api.safety import (
    Kind,
    altered,
    day_judged,
    evidence_on,
    planned_phase,
    planned_targets,
    refuse,
    refuse_outdated,
)
from service.api.targets import put_target
from service.application.evidence.gather import evidence_for
from service.application.schedule import today_of
from service.auth import Principal
from service.domain.evidence import Evidence
from service.domain.policy import Policy
from service.domain.rules.amendments import Change, check_change
from service.domain.rules.arbiter import targets_body
from service.domain.rules.gate import Gate, gate, stricter
from service.domain.rules.plan_sense import check_energy
from service.domain.rules.targets import macro_targets, phase_energy
from service.errors import Conflict, Invalid
from service.store.scope import Scope, table_of
from service.store.tables import Decision, Phase, Review, Target
from service.store.types import new_id, now

_REVIEW, _TARGET, _PHASE, _DECISION = table_of(Review), table_of(Target), table_of(Phase), table_of(Decision)
AHEAD = timedelta(days=60)  # a phase that begins later than this is another review's
STEP_AFTER = timedelta(days=7)  # between the two steps of a return to maintenance
LIVE_FOR = timedelta(days=7)  # an open review of an earlier week is of the past (made for it), and so are its effects


class PhaseChangeBody(Body):
    """Another phase than the one recommended."""

    to: Kind
    on: Date
    planned_end_on: Date | None = None

    @field_validator("planned_end_on")
    @classmethod
    def _ends_after_start(cls, end: date | None, info: ValidationInfo) -> date | None:
        if end is not None and "on" in info.data and end < info.data["on"]:
            raise fault("ends_before_start", "planned_end_on lies before on")
        return end


class ChangesBody(Body):
    """What the coach does differently; a phase without an energy gets the energy that it needs."""

    energy_kcal: Annotated[Number, Field(ge=500, le=10000)] | None = None
    phase: PhaseChangeBody | None = None

    @model_validator(mode="after")
    def _changes_something(self) -> Self:
        if self.energy_kcal is None and self.phase is None:
            raise fault("nothing_changed", "say an energy_kcal, a phase or both")
        return self


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
    next_targets: dict[str, Any] | None = Field(
        None, description="targets of a second step, from their own date: a return to maintenance in two steps"
    )


async def decide(scope: Scope, caller: Principal, athlete: Any, review: Any, body: DecisionBody) -> DecisionAnswer:
    """Record the coach's answer to an open review and let it take effect.

    Raises
    ------
    Conflict
        If the review was answered already or has lapsed; or, unless it is declined, if entries have come since it was
        made, or another phase than the reviewed one is in force on the day on which the decision takes effect.
    Invalid
        If an amendment breaks a hard limit, or passes a soft one that is not acknowledged; or if the gate has closed
        since the review that is accepted.
    """
    if review.state != "open":
        raise Conflict(f"the review is {review.state}; only an open one can be decided")
    if review.stale and body.decision != "declined":
        raise Conflict(f"what the review rests on has changed since: make the review of {review.as_of} again")
    effect: dict[str, Any] = {"effective_on": None, "targets": None, "phase": None, "next_targets": None}
    if body.decision == "accepted":
        effect = await _accepted(scope, athlete, review, body.acknowledge)
    elif body.changes is not None:
        effect = await _amended(scope, athlete, review, body, body.changes)
    await _carry_out(scope, athlete.id, review, effect)
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
        "effect": {**effect, "effective_on": effect["effective_on"] and str(effect["effective_on"])},
        "key_id": caller.key_id,
        "decided_at": now(),
    }
    await scope.insert(Decision, [row])
    return shown(row)


async def decision_on(scope: Scope, review_id: uuid.UUID) -> DecisionAnswer | None:
    """The decision on a review as it was recorded, or None."""
    row = await scope.first(scope.select(Decision).where(_DECISION.c.review_id == review_id))
    return shown(dict(row._mapping)) if row is not None else None


def shown(row: dict[str, Any]) -> DecisionAnswer:
    """A stored decision with its effect."""
    return DecisionAnswer.model_validate({**row, **row["effect"]})


def earliest_effect(athlete: Any, review: Any) -> date:
    """The first day that a decision can still touch: the day after `as_of`, or today for a review of these days."""
    after: date = review.as_of + timedelta(days=1)
    today = today_of(athlete)
    return after if today - after > LIVE_FOR else max(after, today)


def _effect(recommendation: dict[str, Any], earliest: date) -> dict[str, Any]:
    """What following the recommendation means: a phase and targets from a date on."""
    phase = recommendation["phase"]
    on = max(date.fromisoformat(phase["on"]), earliest) if phase else earliest
    targets = recommendation["targets"]
    return {"effective_on": on, "targets": targets, "phase": phase and {**phase, "on": str(on)}, "next_targets": None}


async def _refuse_other_phase(scope: Scope, athlete: Any, review: Any, effect: Mapping[str, Any]) -> None:
    """Hold the phase in force when a decision takes effect against the one that was reviewed.

    Raises
    ------
    Conflict
        If it is another one, and not the very one that the decision begins.
    """
    on, reviewed, begins = effect["effective_on"], review.document["phase"], effect["phase"]
    begun = scope.select(Phase).where(_PHASE.c.athlete_id == athlete.id, _PHASE.c.starts_on <= on)
    row = await scope.first(begun.order_by(_PHASE.c.starts_on.desc()).limit(1))
    there = row and (row.kind, str(row.starts_on))
    if there == (reviewed and (reviewed["kind"], reviewed["starts_on"])):
        return
    if begins is None or there != (begins["to"], begins["on"]):
        was = f"the {reviewed['kind']} from {reviewed['starts_on']}" if reviewed else "no phase"
        now_is = f"the {there[0]} from {there[1]}" if there else "no phase"
        raise Conflict(f"{was} was reviewed, but on {on} {now_is} is in force: review a day of that, or decline")


async def _accepted(scope: Scope, athlete: Any, review: Any, acknowledged: list[str]) -> dict[str, Any]:
    """The effect of a recommendation, after the gate again: since the review lie days, with symptoms and new answers.

    An eating window that was recommended before the athlete came onto the referral list is left out.
    """
    effect = _effect(review.document["recommendation"], earliest_effect(athlete, review))
    targets, phase = effect["targets"], effect["phase"]
    on = effect["effective_on"]
    if phase is None and (targets is None or await _in_force(scope, athlete.id, on, targets)):
        return effect  # nothing changes
    asked = review.document["recommendation"]["energy_kcal"]
    if phase is None and asked["from"] == asked["to"] and await _planned_since(scope, athlete.id, review.as_of, on):
        return {**effect, "targets": None}  # what stays is the plan: its next step, planned before
    await _refuse_other_phase(scope, athlete, review, effect)
    day = await day_judged(scope, athlete, on)
    evidence, policy = await evidence_on(scope, athlete, day)
    change = Change(
        targets and targets["energy_kcal"], phase and phase["to"], phase and date.fromisoformat(phase["on"])
    )
    refuse_outdated(evidence, policy, acknowledged, change)
    if targets is not None and gate(evidence, policy).on_referral_list:
        effect["targets"] = {**targets, "eating_window": None}
    return {**effect, "next_targets": _second_step(evidence, policy, review.document, effect)}


def _second_step(
    evidence: Evidence, policy: Policy, document: Mapping[str, Any], effect: Mapping[str, Any]
) -> dict[str, Any] | None:
    """The targets at full maintenance that follow half a step out of a cut a week later, where the policy has two."""
    phase, targets = effect["phase"], effect["targets"]
    recommended = document["recommendation"]
    returns = phase is not None and phase["to"] == "maintain" and recommended["action"] == "switch_phase"
    from_cut = document["phase"] is not None and document["phase"]["kind"] == "cut"
    if not (returns and from_cut and targets and policy.maintain_return_steps == 2):
        return None
    full, on = phase_energy(evidence, policy, "maintain"), effect["effective_on"] + STEP_AFTER
    ended = phase["planned_end_on"] is not None and str(on) > phase["planned_end_on"]
    if full is None or full.energy_kcal <= targets["energy_kcal"] or ended:
        return None
    made = _targets(evidence, policy, gate(evidence, policy), full.energy_kcal, "maintain")
    return {"from_date": str(on), **(made or {})}


async def _amended(scope: Scope, athlete: Any, review: Any, body: DecisionBody, changes: ChangesBody) -> dict[str, Any]:
    """The effect of an amendment, past the gate of the review's day and, for what holds from today on, today's."""
    phase = changes.phase
    to, ends_on = (phase.to, phase.planned_end_on) if phase else (None, None)
    on = phase.on if phase else earliest_effect(athlete, review)
    first, last = review.as_of + timedelta(days=1), review.as_of + AHEAD
    if phase is not None and not first <= on <= last:
        raise Invalid.field("/changes/phase/on", "out_of_range", f"must be from {first} to {last} for this review")
    begins = phase and {"to": phase.to, "on": str(on), "planned_end_on": ends_on and str(ends_on)}
    await _refuse_other_phase(scope, athlete, review, {"effective_on": on, "phase": begins})
    today = await day_judged(scope, athlete, on)
    (batch,) = await evidence_for(scope, [athlete], {review.as_of, today})
    evidence, latest = batch.evidence[athlete.id, review.as_of], batch.evidence[athlete.id, today]
    policy = batch.policies[athlete.id].policy
    energy = changes.energy_kcal
    if energy is None:
        energy = _energy_of(latest, policy, review.document, to)
    opened = stricter(gate(evidence, policy), gate(latest, policy))
    targets = _targets(evidence, policy, opened, energy, to)
    steps = []
    if phase is not None:
        row = {"kind": to, "starts_on": on, "planned_end_on": ends_on, "energy_kcal": energy}
        steps.append(planned_phase(row))
    if targets is not None:
        steps.append(planned_targets({"from_date": on, **targets}))
    asked = Change(energy, to, on if phase else None, ends_on)
    against = check_change(evidence, policy, asked) + check_energy(evidence, policy, asked)
    for change in await altered(scope, athlete, *steps):
        against += check_change(latest, policy, change) + check_energy(latest, policy, change)
    refuse(against, body.acknowledge, "/changes/phase" if changes.energy_kcal is None else "/changes/energy_kcal")
    return {"effective_on": on, "targets": targets, "phase": begins, "next_targets": None}


def _energy_of(evidence: Evidence, policy: Policy, document: Mapping[str, Any], to: Kind | None) -> float | None:
    """The energy of an amendment that names none: the recommended one, or what another kind of phase needs."""
    recommended, reviewed = document["recommendation"], document["phase"]
    meant_for = (recommended["phase"] or {}).get("to") or (reviewed or {}).get("kind")
    if to is None or to == meant_for:
        energy: float | None = recommended["energy_kcal"]["to"]
        return energy
    fits = phase_energy(evidence, policy, to)
    return fits.energy_kcal if fits else None


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


async def _carry_out(scope: Scope, athlete_id: uuid.UUID, review: Any, effect: dict[str, Any]) -> None:
    phase, targets, following = effect["phase"], effect["targets"], effect["next_targets"]
    if phase is not None or targets is not None:
        await _drop_second_step(scope, athlete_id, review, effect["effective_on"])
    if phase is not None:
        energy = targets and targets["energy_kcal"]
        end = phase["planned_end_on"] and date.fromisoformat(phase["planned_end_on"])
        starts_on = date.fromisoformat(phase["on"])
        await put_phase(
            scope, athlete_id, PhaseBody(kind=phase["to"], starts_on=starts_on, planned_end_on=end, energy_kcal=energy)
        )
    if targets is not None and not await _in_force(scope, athlete_id, effect["effective_on"], targets):
        await put_target(scope, athlete_id, {"from_date": effect["effective_on"], **targets, "review_id": review.id})
    if following is not None:
        step = {**following, "from_date": date.fromisoformat(following["from_date"]), "review_id": review.id}
        await put_target(scope, athlete_id, step)


async def _drop_second_step(scope: Scope, athlete_id: uuid.UUID, review: Any, on: date) -> None:
    """A second step that an earlier decision planned for the week after `on` gives way to this decision."""
    earlier = scope.select(_REVIEW.c.id, of=[Review]).where(
        _REVIEW.c.athlete_id == athlete_id, _REVIEW.c.as_of < review.as_of
    )
    phases = scope.select(_PHASE.c.starts_on, of=[Phase]).where(_PHASE.c.athlete_id == athlete_id)
    await scope.run(
        scope.delete(Target).where(
            _TARGET.c.athlete_id == athlete_id,
            _TARGET.c.from_date > on,
            _TARGET.c.from_date <= on + STEP_AFTER,
            _TARGET.c.review_id.in_(earlier),
            _TARGET.c.from_date.not_in(phases),
        )
    )


async def _planned_since(scope: Scope, athlete_id: uuid.UUID, as_of: date, on: date) -> bool:
    """Whether targets were planned to begin between a review's day and the day that its decision touches first."""
    planned = scope.select(Target).where(
        _TARGET.c.athlete_id == athlete_id, _TARGET.c.from_date > as_of, _TARGET.c.from_date <= on
    )
    return await scope.first(planned.limit(1)) is not None


async def _in_force(scope: Scope, athlete_id: uuid.UUID, on: date, targets: dict[str, Any]) -> bool:
    """Whether the athlete has these very targets already."""
    latest = scope.select(Target).where(_TARGET.c.athlete_id == athlete_id, _TARGET.c.from_date <= on)
    row = await scope.first(latest.order_by(_TARGET.c.from_date.desc()).limit(1))
    return row is not None and all(row._mapping[name] == value for name, value in targets.items())
