"""Decisions: the coach's answer to a review, checked once more by the safety gate, and what it sets in motion."""

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

from service.application.evidence.gather import evidence_for, evidence_on
from service.application.plan.effects import NO_EFFECT, STEP_AFTER, Effect, PhaseStart, carry_out, in_force
from service.application.plan.phases import PhasePlan
from service.application.plan.refusals import altered, day_judged, refuse, refuse_outdated
from service.application.plan.targets import TargetsPlan
from service.application.schedule import today_of
from service.catalogue.sentences import render
from service.domain.evidence import Evidence, Kind
from service.domain.policy import Policy
from service.domain.rules.amendments import Change, check_change
from service.domain.rules.arbiter import targets_body
from service.domain.rules.gate import Gate, gate, stricter
from service.domain.rules.plan_sense import check_energy
from service.domain.rules.targets import macro_targets, phase_energy
from service.domain.sentence import Sentence, say
from service.errors import Conflict, Invalid
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, Decision, Phase, Review, Target
from service.store.types import Answer

AHEAD = timedelta(days=60)  # a phase that begins later than this is another review's
AT_ONCE = ("stop_deficit", "refer")  # actions that hold from the day on which they are decided
_REVIEW, _TARGET, _PHASE, _DECISION = table_of(Review), table_of(Target), table_of(Phase), table_of(Decision)


@dataclass(frozen=True)
class Changes:
    """What the coach does differently; a phase without an energy gets the energy that it needs."""

    energy_kcal: float | None = None
    phase: PhaseStart | None = None

    def document(self) -> dict[str, Any]:
        """The changes as they are stored and shown: what was said of them."""
        phase = self.phase and {name: said for name, said in self.phase.document().items() if said is not None}
        changes = {"energy_kcal": self.energy_kcal, "phase": phase}
        return {name: said for name, said in changes.items() if said is not None}


@dataclass(frozen=True)
class CoachDecision:
    """The coach's answer: `changes` with `amended`, and with no other; `acknowledge`, codes of soft limits passed."""

    decision: Answer
    changes: Changes | None = None
    acknowledge: tuple[str, ...] = ()
    note: str | None = None


@dataclass(frozen=True)
class Advice:
    """What a review's document says that a decision rests on."""

    reviewed: tuple[str, date] | None  # kind and first day of the phase that was reviewed
    action: str
    energy_from_kcal: float | None
    energy_to_kcal: float | None
    phase: PhaseStart | None
    targets: Mapping[str, Any] | None

    @classmethod
    def of(cls, review: Review) -> "Advice":
        """The advice of a stored review."""
        reviewed, recommended = review.document["phase"], review.document["recommendation"]
        energy, phase = recommended["energy_kcal"], recommended["phase"]
        return cls(
            reviewed and (reviewed["kind"], date.fromisoformat(reviewed["starts_on"])),
            recommended["action"],
            energy["from"],
            energy["to"],
            phase and PhaseStart.read(phase),
            recommended["targets"],
        )


async def decide(scope: Scope, athlete: Athlete, review: Review, said: CoachDecision, key_id: uuid.UUID) -> Decision:
    """Record the coach's answer to an open review and let it take effect.

    Parameters
    ----------
    scope : Scope
        The practice, on a transaction that holds the athlete.
    athlete : Athlete
        Whose review it is.
    review : Review
        The review.
    said : CoachDecision
        The answer.
    key_id : UUID
        The key that gave it.

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
        raise Conflict(render(say("decision.not_open", state=review.state)))
    if review.stale and said.decision != "declined":
        raise Conflict(render(say("decision.out_of_date", as_of=review.as_of), on=today_of(scope, athlete)))
    effect = await _effect_of(scope, athlete, review, said)
    taken_back = [] if effect is None else await carry_out(scope, review, effect)
    answered = await scope.run(
        scope.update(Review)
        .where(_REVIEW.c.id == review.id, _REVIEW.c.revision == review.revision)
        .values(state=said.decision, revision=review.revision + 1, stale=review.stale)
    )
    if not answered:
        raise Conflict(render(say("decision.at_the_same_moment")))
    decision = Decision(
        practice_id=scope.practice_id,
        athlete_id=athlete.id,
        review_id=review.id,
        decision=said.decision,
        changes=None if said.changes is None else said.changes.document(),
        acknowledge=list(said.acknowledge),
        note=said.note,
        effect=NO_EFFECT if effect is None else {**effect.document(), "taken_back": taken_back},
        key_id=key_id,
        decided_at=scope.now(),
    )
    await scope.insert(Decision, [decision.model_dump()])
    return decision


async def _effect_of(scope: Scope, athlete: Athlete, review: Review, said: CoachDecision) -> Effect | None:
    """What an answer changes, past the gate; None for a declined recommendation."""
    if said.decision == "accepted":
        return await _accepted(scope, athlete, review, said.acknowledge)
    if said.changes is not None:
        return await _amended(scope, athlete, review, said.changes, said.acknowledge)
    return None


async def decision_on(scope: Scope, review_id: uuid.UUID) -> Decision | None:
    """The decision on a review as it was recorded, or None."""
    return await scope.one(Decision, scope.select(Decision).where(_DECISION.c.review_id == review_id))


def earliest_effect(scope: Scope, athlete: Athlete, advice: Advice, begins: PhaseStart | None = None) -> date:
    """The first day that a decision can touch: tomorrow, whatever day was reviewed; today where it stops something.

    That is where the advice does, or where an amendment ends a cut (`begins`, its phase).
    """
    today, cutting = today_of(scope, athlete), advice.reviewed is not None and advice.reviewed[0] == "cut"
    stops = advice.action in AT_ONCE or (cutting and begins is not None and begins.to == "maintain")
    return today if stops else today + timedelta(days=1)


async def _accepted(scope: Scope, athlete: Athlete, review: Review, acknowledged: tuple[str, ...]) -> Effect:
    """The effect of a recommendation, after the gate again: since the review lie days, with symptoms and new answers.

    An eating window that was recommended before the athlete came onto the referral list is left out.
    """
    advice = Advice.of(review)
    on, phase = earliest_effect(scope, athlete, advice), advice.phase
    if phase is not None:
        on = on if advice.action in AT_ONCE else max(phase.on, on)
        phase = phase.moved_to(on)
    targets = None if advice.targets is None else TargetsPlan.read(on, advice.targets)
    known = await _known(scope, athlete, on) if advice.action == "refer" else None
    ends_deficits = advice.action == "stop_deficit" or (known is not None and not gate(*known).deficit_open)
    effect = Effect(on, phase, targets, ends_deficits=ends_deficits)
    if phase is None and (targets is None or await in_force(scope, athlete.id, targets)):
        return effect  # nothing else changes
    stays = phase is None and advice.energy_from_kcal == advice.energy_to_kcal
    if stays and not ends_deficits and await _planned_since(scope, athlete.id, review.as_of, on):
        return Effect(on)  # what stays is the plan: its next step, planned before
    await _refuse_other_phase(scope, athlete, advice, on, phase)
    evidence, policy = known or await _known(scope, athlete, on)
    energy_kcal = None if targets is None else targets.energy_kcal
    change = Change(energy_kcal, phase.to, phase.on) if phase is not None else Change(energy_kcal)
    refuse_outdated(evidence, policy, acknowledged, change)
    if targets is not None and gate(evidence, policy).on_referral_list:
        effect = replace(effect, targets=targets.without_window())
    return replace(effect, next_targets=_second_step(evidence, policy, advice, effect))


async def _known(scope: Scope, athlete: Athlete, on: date) -> tuple[Evidence, Policy]:
    """What a decision that takes effect on a day is judged by."""
    return await evidence_on(scope, athlete, await day_judged(scope, athlete, on))


def _second_step(evidence: Evidence, policy: Policy, advice: Advice, effect: Effect) -> TargetsPlan | None:
    """The targets at full maintenance that follow half a step out of a cut a week later, where the policy has two."""
    phase, targets = effect.phase, effect.targets
    from_cut = advice.reviewed is not None and advice.reviewed[0] == "cut"
    if phase is None or phase.to != "maintain" or advice.action != "switch_phase":
        return None
    if not from_cut or targets is None or policy.maintain_return_steps != 2:
        return None
    full, on = phase_energy(evidence, policy, "maintain"), effect.effective_on + STEP_AFTER
    ended = phase.planned_end_on is not None and on > phase.planned_end_on
    if full is None or full.energy_kcal <= targets.energy_kcal or ended:
        return None
    return _targets(evidence, policy, gate(evidence, policy), on, full.energy_kcal, "maintain")


async def _planned_since(scope: Scope, athlete_id: uuid.UUID, as_of: date, on: date) -> bool:
    """Whether targets were planned to begin between a review's day and the day that its decision touches first."""
    planned = scope.select(Target).where(
        _TARGET.c.athlete_id == athlete_id, _TARGET.c.from_date > as_of, _TARGET.c.from_date <= on
    )
    return await scope.first(planned.limit(1)) is not None


async def _amended(
    scope: Scope, athlete: Athlete, review: Review, changes: Changes, acknowledged: tuple[str, ...]
) -> Effect:
    """The effect of an amendment, past the gate of the review's day and, for what holds from today on, today's."""
    advice, phase = Advice.of(review), changes.phase
    first, last = earliest_effect(scope, athlete, advice, phase), today_of(scope, athlete) + AHEAD
    on = phase.on if phase else first
    if phase is not None and not first <= on <= last:
        raise Invalid.field(
            "/changes/phase/on", "out_of_range", f"must be from {first} to {last}: no decision reaches back"
        )
    await _refuse_other_phase(scope, athlete, advice, on, phase)
    today = await day_judged(scope, athlete, on)
    (batch,) = await evidence_for(scope, [athlete], {review.as_of, today})
    evidence, latest = (batch.evidence[athlete.id, day] for day in (review.as_of, today))
    policy = batch.policies[athlete.id].policy
    to = phase.to if phase else None
    energy_kcal = _energy_of(latest, policy, advice, to) if changes.energy_kcal is None else changes.energy_kcal
    opened = stricter(gate(evidence, policy), gate(latest, policy))
    targets = None if energy_kcal is None else _targets(evidence, policy, opened, on, energy_kcal, to)
    steps = []
    if phase is not None:
        steps.append(PhasePlan(phase.to, on, phase.planned_end_on, energy_kcal).step())
    if targets is not None:
        steps.append(targets.step())
    asked = Change(energy_kcal, to, on if phase else None, phase.planned_end_on if phase else None)
    against = check_change(evidence, policy, asked) + check_energy(evidence, policy, asked)
    for change in await altered(scope, athlete, steps):
        against += check_change(latest, policy, change) + check_energy(latest, policy, change)
    refuse(against, acknowledged, "/changes/phase" if changes.energy_kcal is None else "/changes/energy_kcal")
    return Effect(on, phase, targets)


def _energy_of(evidence: Evidence, policy: Policy, advice: Advice, to: Kind | None) -> float | None:
    """The energy of an amendment that names none: the recommended one, or what another kind of phase needs."""
    meant_for = advice.phase.to if advice.phase else advice.reviewed and advice.reviewed[0]
    if to is None or to == meant_for:
        return advice.energy_to_kcal
    fits = phase_energy(evidence, policy, to)
    return fits.energy_kcal if fits else None


def _targets(
    evidence: Evidence, policy: Policy, opened: Gate, on: date, energy_kcal: float, kind: Kind | None
) -> TargetsPlan:
    """Targets of an energy from a day on; of the energy alone where the mass is unknown."""
    targets = macro_targets(
        evidence,
        policy,
        kind or evidence.kind,
        energy_kcal,
        window=opened.window_open,
        kidney=opened.kidney_closed,
    )
    return TargetsPlan(on, energy_kcal) if targets is None else TargetsPlan.read(on, targets_body(targets))


async def _refuse_other_phase(
    scope: Scope, athlete: Athlete, advice: Advice, on: date, begins: PhaseStart | None
) -> None:
    """Hold the phase in force on the day a decision takes effect against the one that was reviewed.

    Raises
    ------
    Conflict
        If it is another one, and not the very one that the decision begins.
    """
    begun = scope.select(Phase).where(_PHASE.c.athlete_id == athlete.id, _PHASE.c.starts_on <= on)
    latest = await scope.one(Phase, begun.order_by(_PHASE.c.starts_on.desc()).limit(1))
    there, reviewed = (latest.kind, latest.starts_on) if latest else None, advice.reviewed
    if there == reviewed:
        return
    if begins is None or there != (begins.to, begins.on):
        was, now_is = (_phase_from(phase) for phase in (reviewed, there))
        raise Conflict(render(say("decision.other_phase", reviewed=was, on=on, there=now_is), on=on))


def _phase_from(phase: tuple[str, date] | None) -> Sentence:
    if phase is None:
        return say("decision.no_phase")
    return say("decision.phase_from", phase=phase[0], starts_on=phase[1])
