"""From findings to one recommendation: the first that argues for an action makes it, the others are overridden."""

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

from service.domain.evidence import Evidence, Targets
from service.domain.policy import Policy
from service.domain.rules.counterfactuals import would_change_if
from service.domain.rules.findings import Action, Finding, Severity
from service.domain.rules.gate import Gate, gate
from service.domain.rules.phases import Switch
from service.domain.rules.proposals import Proposal, propose
from service.domain.rules.rule import Rule
from service.domain.rules.rulebook import RULE, judge
from service.domain.rules.safety_rules import availability_after
from service.domain.rules.targets import macro_targets
from service.domain.sentence import Sentence, say


@dataclass(frozen=True)
class Overridden:
    """A finding that argued for an action and was not followed, and why."""

    code: str
    why: Sentence


@dataclass(frozen=True)
class Recommendation:
    """What the coach is asked to do; `energy_from_kcal` equals `energy_to_kcal` when energy stays."""

    action: Action
    energy_from_kcal: float | None
    energy_to_kcal: float | None
    targets: Targets | None
    phase: Switch | None
    because: tuple[str, ...]
    would_change_if: tuple[Sentence, ...]


@dataclass(frozen=True)
class Decision:
    """All findings of a review, in the rules' order, and its one recommendation."""

    findings: tuple[Finding, ...]
    recommendation: Recommendation
    overridden: tuple[Overridden, ...]
    gate: Gate


def targets_body(targets: Targets) -> dict[str, Any]:
    """Targets as the plain record that a review and `/targets` show."""
    window = targets.eating_window
    return {
        "energy_kcal": targets.energy_kcal,
        "protein_g": targets.protein_g,
        "fat_g": targets.fat_g,
        "carbohydrate_g": targets.carbohydrate_g,
        "fibre_g": targets.fibre_g,
        "meals": [{"slot": m.slot, "energy_kcal": m.energy_kcal, "protein_g": m.protein_g} for m in targets.meals],
        "eating_window": None if window is None else {"from": window.start, "to": window.end},
    }


def decide(evidence: Evidence, policy: Policy, *, explain: bool = True) -> Decision:
    """The review's findings and its one recommendation; a pure function of its arguments.

    Parameters: `evidence`, what is known of the athlete on the review date; `policy`, the thresholds in force;
    `explain`, whether to work out what would change the recommendation (it costs twice to four times the rest).
    """
    findings = judge(evidence, policy)
    opened = gate(evidence, policy)
    proposal = propose(findings, evidence, policy, opened)
    findings = _with_availability(findings, evidence, policy, proposal)
    recommendation = Recommendation(
        proposal.action,
        evidence.energy_kcal,
        proposal.energy_kcal,
        _targets(evidence, policy, opened, proposal),
        proposal.phase,
        proposal.because,
        would_change_if(findings, evidence, policy, proposal) if explain else (),
    )
    overridden = _overridden(findings, evidence, proposal)
    return Decision(_without_advice(findings, overridden, recommendation), recommendation, overridden, opened)


def _without_advice(
    findings: tuple[Finding, ...], overridden: tuple[Overridden, ...], recommendation: Recommendation
) -> tuple[Finding, ...]:
    """The findings, of which the overridden ones advise nothing: they inform, beside the one recommendation.

    A warning stays one, unless it asks for another energy than the recommendation sets.
    """
    weaker = {finding.code for finding in overridden}
    moves = recommendation.energy_from_kcal != recommendation.energy_to_kcal

    def informs(finding: Finding) -> bool:
        other_energy = moves and RULE[finding.code].action is Action.CHANGE_ENERGY
        return finding.severity is Severity.ADVICE or (finding.severity is Severity.WARNING and other_energy)

    return tuple(
        replace(finding, severity=Severity.INFO) if finding.code in weaker and informs(finding) else finding
        for finding in findings
    )


def _with_availability(
    findings: tuple[Finding, ...], evidence: Evidence, policy: Policy, proposal: Proposal
) -> tuple[Finding, ...]:
    """The findings with what an energy about to be set would leave for the body, in place of what today's leaves."""
    energy_kcal = proposal.energy_kcal
    low = None
    if energy_kcal is not None and energy_kcal != evidence.energy_kcal:
        low = availability_after(evidence, policy, energy_kcal)
    if low is None:
        return findings
    others = [finding for finding in findings if finding.code != low.code]
    order = list(RULE)
    before = sum(order.index(finding.code) < order.index(low.code) for finding in others)
    return (*others[:before], low, *others[before:])


def _targets(evidence: Evidence, policy: Policy, opened: Gate, proposal: Proposal) -> Targets | None:
    """The targets in force when nothing changes, else new ones for the new energy and phase."""
    now, energy_kcal = evidence.targets, proposal.energy_kcal
    same = proposal.phase is None and now is not None and energy_kcal == now.energy_kcal
    fasting = now is not None and now.eating_window is not None and opened.on_referral_list
    if same and now is not None and now.protein_g is not None and not fasting and not opened.kidney_closed:
        return now
    if energy_kcal is None:
        return None
    kind = proposal.phase.to if proposal.phase else evidence.kind
    on = proposal.phase.on if proposal.phase else evidence.as_of + timedelta(days=1)
    targets = macro_targets(evidence, policy, kind, energy_kcal, window=opened.window_open, kidney=opened.kidney_closed)
    return replace(targets, effective_on=on) if targets else Targets(energy_kcal, effective_on=on)


def _overridden(findings: tuple[Finding, ...], evidence: Evidence, proposal: Proposal) -> tuple[Overridden, ...]:
    """The findings that argue for something else; a hold is something else where energy moves."""
    moves = proposal.energy_kcal != evidence.energy_kcal
    agreeing = (None,) if moves else (None, Action.HOLD)
    weaker = [f for f in findings if RULE[f.code].action not in agreeing and f.code not in proposal.because]
    if not proposal.because:
        return tuple(Overridden(f.code, say("overridden.nothing_to_change")) for f in weaker)
    winner = RULE[proposal.because[0]]
    return tuple(Overridden(f.code, _why(RULE[f.code], winner)) for f in weaker)


def _why(rule: Rule, winner: Rule) -> Sentence:
    if rule.stage is not winner.stage:
        return say("overridden.by_stage", winner=winner.code, before=winner.stage.value, after=rule.stage.value)
    return say("overridden.by_order", winner=winner.code)
