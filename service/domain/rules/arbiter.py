"""From findings to one recommendation: safety, then data, phase, energy, training; and the gate for human decisions.

All rules stand in one ordered list. The first finding that argues for an action makes the recommendation, with one
exception: missing data never hold back the end of a cut. What starts or deepens a deficit must pass the safety gate.
"""

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

from service.domain.evidence import Evidence, Kind, Screening, Targets, moved
from service.domain.policy import Policy
from service.domain.rules import data_rules, energy_rules, phase_rules, safety_rules, training_rules
from service.domain.rules.energy_step import Step, rate_edges, recovery_step, step, strength_step
from service.domain.rules.findings import PHASE_WORDS, Action, Finding, Move, Rule, Stage, mean_at
from service.domain.rules.gate import Gate, gate, in_deficit
from service.domain.rules.phases import Switch, estimated_at_goal, last_day, switch
from service.domain.rules.targets import lowest_energy, macro_targets, phase_energy
from service.domain.wording import number

RULES: tuple[Rule, ...] = (
    *safety_rules.RULES,
    *data_rules.RULES,
    *phase_rules.RULES,
    *energy_rules.RULES,
    *training_rules.RULES,
)
RULE = {rule.code: rule for rule in RULES}
_LIMITS = ("limit.energy_floor", "limit.deficit", "floor.recover")  # raise energy whatever else is found
_RISES = ("strength.lost", "rate.too_fast", "rate.falling")  # raise it when they do; a build's may lower it


@dataclass(frozen=True)
class Overridden:
    """A finding that argued for an action and was not followed, and why."""

    code: str
    why: str


@dataclass(frozen=True)
class Recommendation:
    """What the coach is asked to do; `energy_from_kcal` equals `energy_to_kcal` when energy stays."""

    action: Action
    energy_from_kcal: float | None
    energy_to_kcal: float | None
    targets: Targets | None
    phase: Switch | None
    because: tuple[str, ...]
    would_change_if: tuple[str, ...]


@dataclass(frozen=True)
class Decision:
    """All findings of a review, in the rules' order, and its one recommendation."""

    findings: tuple[Finding, ...]
    recommendation: Recommendation
    overridden: tuple[Overridden, ...]
    gate: Gate

    def body(self) -> dict[str, Any]:
        """Findings, recommendation and what gave way as plain records, as a review shows them."""
        r = self.recommendation
        return {
            "findings": [finding.body() for finding in self.findings],
            "recommendation": {
                "action": r.action.value,
                "energy_kcal": {"from": r.energy_from_kcal, "to": r.energy_to_kcal},
                "targets": None if r.targets is None else targets_body(r.targets),
                "phase": None
                if r.phase is None
                else {"to": r.phase.to, "on": str(r.phase.on), "planned_end_on": str(r.phase.planned_end_on)},
                "because": list(r.because),
                "would_change_if": list(r.would_change_if),
            },
            "overridden": [{"code": g.code, "why": g.why} for g in self.overridden],
        }


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


@dataclass(frozen=True)
class _Proposal:
    """What following one finding would mean."""

    action: Action
    because: tuple[str, ...]
    energy_kcal: float | None  # the target that results; None when it is not known
    phase: Switch | None = None


def judge(evidence: Evidence, policy: Policy) -> tuple[Finding, ...]:
    """The findings of all rules, in the rules' order."""
    return tuple(finding for rule in RULES if (finding := rule(evidence, policy)) is not None)


def describe_rules() -> list[dict[str, Any]]:
    """Every rule as a plain record, in the order in which they are heard."""
    return [
        {
            "code": rule.code,
            "stage": rule.stage.value,
            "severity": rule.severity.value,
            "question": rule.question,
            "argues_for": rule.action.value if rule.action else None,
            "thresholds": list(rule.thresholds),
        }
        for rule in RULES
    ]


def decide(evidence: Evidence, policy: Policy, *, explain: bool = True) -> Decision:
    """The review's findings and its one recommendation; a pure function of its arguments.

    Parameters: `evidence`, what is known of the athlete on the review date; `policy`, the thresholds in force;
    `explain`, whether to work out what would change the recommendation (it costs twice to four times the rest).
    """
    findings = judge(evidence, policy)
    opened = gate(evidence, policy)
    proposal = _first_allowed(findings, evidence, policy, opened)
    recommendation = Recommendation(
        proposal.action,
        evidence.energy_kcal,
        proposal.energy_kcal,
        _targets(evidence, policy, opened, proposal),
        proposal.phase,
        proposal.because,
        _would_change_if(findings, evidence, policy, proposal) if explain else (),
    )
    return Decision(findings, recommendation, _overridden(findings, proposal), opened)


def _first_allowed(findings: tuple[Finding, ...], evidence: Evidence, policy: Policy, opened: Gate) -> _Proposal:
    arguing = [finding for finding in findings if RULE[finding.code].action is not None]
    if evidence.kind == "cut":  # missing data never hold back the end of a cut
        ends = any(RULE[f.code].action is Action.SWITCH_PHASE for f in arguing)
        arguing = [f for f in arguing if not (ends and RULE[f.code].stage is Stage.DATA)]
    for finding in arguing:
        proposal = _propose(finding, findings, evidence, policy, opened)
        if proposal is not None:
            return proposal
    rate = tuple(f.code for f in findings if f.code in _RATE)
    return _Proposal(Action.HOLD, rate, evidence.energy_kcal)


def _propose(
    finding: Finding, findings: tuple[Finding, ...], evidence: Evidence, policy: Policy, opened: Gate
) -> _Proposal | None:
    """What a finding asks for, after the gate; None when there is nothing to do about it."""
    rule = RULE[finding.code]
    alike = [f.code for f in findings if RULE[f.code].action is rule.action and RULE[f.code].stage is rule.stage]
    if rule.action is Action.REFER:
        return _refer(findings, evidence, policy, opened)
    if rule.action is Action.STOP_DEFICIT:
        energy = _out_of_deficit(evidence, policy)
        return _Proposal(rule.action, tuple(alike), energy, switch(evidence, policy, finding.code))
    if finding.code == "energy.unset" and evidence.kind is not None:
        fits = phase_energy(evidence, policy, evidence.kind)
        first = _Proposal(rule.action, (finding.code,), fits.energy_kcal) if fits and rule.action else None
        return first and _gated(first, evidence, policy, opened)
    if rule.action is Action.CHANGE_ENERGY:
        change = _change(finding.code, evidence, policy)
        if change is None:
            return None
        steps = {code: _change(code, evidence, policy) for code in alike}
        same_way = [
            c for c, s in steps.items() if s and (s.to_kcal > s.from_kcal) == (change.to_kcal > change.from_kcal)
        ]
        return _gated(_Proposal(rule.action, tuple(same_way), change.to_kcal), evidence, policy, opened)
    if rule.action is Action.SWITCH_PHASE:
        to = switch(evidence, policy, finding.code)
        if to is None:
            return None
        new_energy = _energy_after(evidence, policy, to.to)
        return _gated(_Proposal(rule.action, tuple(alike), new_energy, to), evidence, policy, opened)
    if rule.action is Action.HOLD:
        return _Proposal(Action.HOLD, (finding.code,), evidence.energy_kcal)
    asked = Action.COLLECT_DATA if rule.action is Action.COLLECT_DATA else Action.DELOAD
    return _Proposal(asked, tuple(alike), evidence.energy_kcal)


def _gated(proposal: _Proposal, evidence: Evidence, policy: Policy, opened: Gate) -> _Proposal:
    """The proposal, or what stands in its place when it starts or deepens a deficit and may not."""
    if not deepens(evidence, policy, proposal.energy_kcal, proposal.phase.to if proposal.phase else None):
        return proposal
    if not opened.deficit_open:
        return _Proposal(Action.REFER, opened.closed_by, evidence.energy_kcal)
    if not opened.deepening_open:
        return _Proposal(Action.HOLD, ("safety.symptom_noted",), evidence.energy_kcal)
    if not opened.screened:
        return _Proposal(Action.COLLECT_DATA, ("screening.unanswered", *proposal.because), evidence.energy_kcal)
    return proposal


def deepens(evidence: Evidence, policy: Policy, energy_kcal: float | None, phase: Kind | None) -> bool:
    """Whether a new energy or phase starts or deepens a deficit.

    Parameters: `energy_kcal`, kcal per day, None when it stays; `phase`, a phase that starts, None when none does. A
    cut that starts counts also where an older one was never ended.
    """
    if phase == "cut":
        return True
    now = evidence.energy_kcal
    if energy_kcal is None or (now is not None and energy_kcal >= now):
        return False
    cutting = evidence.maintenance_kcal is None and (phase or evidence.kind) == "cut"
    return cutting or in_deficit(evidence, policy, energy_kcal)


def _refer(findings: tuple[Finding, ...], evidence: Evidence, policy: Policy, opened: Gate) -> _Proposal:
    """Refer; a deficit that is not cleared ends now, a cut that should end anyway with it, and a due rise is made."""
    because = tuple(f.code for f in findings if RULE[f.code].action in (Action.REFER, Action.STOP_DEFICIT))
    ending = [
        f
        for f in findings
        if RULE[f.code].action is Action.STOP_DEFICIT
        or (RULE[f.code].action is Action.SWITCH_PHASE and evidence.kind == "cut")
    ]
    raising, raised = _rise(findings, evidence, policy)
    if opened.deficit_open and not ending:
        return _Proposal(Action.REFER, because + raising, evidence.energy_kcal if raised is None else raised)
    code, energy = ending[0].code if opened.deficit_open else "safety.referral", _out_of_deficit(evidence, policy)
    if energy is not None and raised is not None and raised > energy:
        because, energy = because + raising, raised
    return _Proposal(Action.REFER, because, energy, switch(evidence, policy, code))


def _rise(findings: tuple[Finding, ...], evidence: Evidence, policy: Policy) -> tuple[tuple[str, ...], float | None]:
    """The first rise of energy towards safety that findings ask for, its code and kcal: no referral withholds it.

    The rates and strength wait as they do without a referral: for data, the quiet days, and since the last change.
    """
    held = any(
        f.code in ("energy.quiet_days", "energy.too_soon")
        or (RULE[f.code].stage is Stage.DATA and RULE[f.code].action is not None)
        for f in findings
    )
    for finding in findings:
        if finding.code in _LIMITS or (finding.code in _RISES and not held):
            change = _change(finding.code, evidence, policy)
            if change is not None and change.to_kcal > change.from_kcal:
                return (finding.code,), change.to_kcal
    return (), None


def _out_of_deficit(evidence: Evidence, policy: Policy) -> float | None:
    """Maintenance on the logged scale, never below the present target; None when neither it nor a stand-in is known."""
    now = evidence.energy_kcal
    if not in_deficit(evidence, policy):
        return now
    energy = phase_energy(evidence, policy, "maintain")
    known = energy.energy_kcal if energy else evidence.energy_before_cut_kcal
    return known if now is None or known is None else max(known, now)


def _energy_after(evidence: Evidence, policy: Policy, to: Kind) -> float | None:
    energy = phase_energy(evidence, policy, to)
    if energy is None:
        return evidence.energy_before_cut_kcal if evidence.kind == "cut" else None
    now = evidence.energy_kcal
    if evidence.kind == "cut" and to == "maintain" and policy.maintain_return_steps == 2 and now is not None:
        return 10.0 * round((now + energy.energy_kcal) / 20.0)
    return energy.energy_kcal


def _change(code: str, evidence: Evidence, policy: Policy) -> Step | None:
    now = evidence.energy_kcal
    if now is None:
        return None
    if code == "floor.recover":
        return recovery_step(evidence, policy)
    if code in ("limit.energy_floor", "limit.deficit"):
        wanted = lowest_energy(evidence, policy).energy_kcal
        return Step(now, 10.0 * -(-wanted // 10.0), wanted)
    return strength_step(evidence, policy) if code == "strength.lost" else step(evidence, policy)


def _targets(evidence: Evidence, policy: Policy, opened: Gate, proposal: _Proposal) -> Targets | None:
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


def _overridden(findings: tuple[Finding, ...], proposal: _Proposal) -> tuple[Overridden, ...]:
    weaker = [f for f in findings if RULE[f.code].action not in (None, Action.HOLD) and f.code not in proposal.because]
    if not proposal.because:
        return tuple(Overridden(f.code, "nothing to change within the limits") for f in weaker)
    winner = RULE[proposal.because[0]]
    return tuple(Overridden(f.code, _why(RULE[f.code], winner)) for f in weaker)


def _why(rule: Rule, winner: Rule) -> str:
    if rule.stage is not winner.stage:
        return f"{winner.code} ({winner.stage.value}) goes before {rule.stage.value}"
    return f"{winner.code} is heard first: {winner.question}"


def _would_change_if(
    findings: tuple[Finding, ...], evidence: Evidence, policy: Policy, proposal: _Proposal
) -> tuple[str, ...]:
    """What would have to be different, and what would then be recommended: the evidence moved, and judged again."""
    if proposal.action is Action.HOLD and all(code in _RATE for code in proposal.because):
        return _would_act_if(evidence, policy)
    there, conditions, current, made = evidence, dict[str, None](), proposal, findings
    for _ in range(4):
        reasons = [f for f in made if f.code in current.because]
        if current.action is Action.REFER:  # a rise made with it is no reason to refer
            reasons = [f for f in reasons if RULE[f.code].action in (Action.REFER, Action.STOP_DEFICIT)]
        if current.because[:1] == ("screening.unanswered",):
            reasons = [f for f in reasons if f.code == "screening.unanswered"]
        if not reasons or any(f.would_change is None for f in reasons):
            return ()
        conditions.update(dict.fromkeys(f.would_change or "" for f in reasons))
        untried = any(not f.moves and f.code != "screening.unanswered" for f in reasons)
        if untried or current.action is Action.REFER:
            return (f"would be judged anew if {' and '.join(conditions)}",)
        for finding in reasons:
            there = _without(finding, there)
        made = judge(there, policy)
        current = _first_allowed(made, there, policy, gate(there, policy))
        if _outcome(current) != _outcome(proposal):
            return (f"would {_words(current)} if {' and '.join(conditions)}",)
    return ()


def _without(finding: Finding, evidence: Evidence) -> Evidence:
    """The evidence moved just past what a finding rests on."""
    if finding.code == "screening.unanswered":
        return replace(evidence, screening=Screening(False, False, False, False, "none"))
    for move in finding.moves:
        evidence = moved(evidence, move.path, move.past)
    return evidence


def _outcome(proposal: _Proposal) -> tuple[Action, float | None, Kind | None]:
    return proposal.action, proposal.energy_kcal, proposal.phase.to if proposal.phase else None


_RATE = ("goal.kept", "rate.in_band", "rate.unsure")  # what a hold rests on when nothing else speaks


def _words(proposal: _Proposal) -> str:
    return {
        Action.HOLD: "hold",
        Action.CHANGE_ENERGY: f"change energy to {number(proposal.energy_kcal or 0.0)} kcal",
        Action.SWITCH_PHASE: f"switch to {proposal.phase.to if proposal.phase else 'another phase'}",
        Action.DELOAD: "deload",
        Action.COLLECT_DATA: "ask for data",
        Action.STOP_DEFICIT: "stop the deficit",
        Action.REFER: "refer",
    }[proposal.action]


def _would_act_if(evidence: Evidence, policy: Policy) -> tuple[str, ...]:
    """On a hold: what the rules say when the rate is moved just past where energy would move, and the phase's end."""
    said = []
    name = "tissue_rate_pct_per_week" if evidence.tissue_rate_pct_per_week is not None else "rate_pct_per_week"
    for mean, side in rate_edges(evidence, policy):
        move = Move(f"{name}.mean", mean, side)
        there = moved(evidence, move.path, move.past)
        then = _first_allowed(judge(there, policy), there, policy, gate(there, policy))
        if then.action is not Action.HOLD:
            said.append(f"would {_words(then)} if {move.text}")
    now, end = evidence.phase, last_day(evidence, policy)
    if now is None:
        said.append("would be judged anew if a phase were set")
    elif now.kind == "maintain" and estimated_at_goal(evidence, policy):
        said += _would_leave_goal_if(evidence, policy)
    elif end is not None and end > evidence.as_of:
        said.append(f"would end the {PHASE_WORDS[now.kind]} with its last day, {end}")
    elif now.kind == "maintain" and end is not None:  # it goes on, for a reason
        longest = now.starts_on + timedelta(days=policy.maintain_max_days - 1)
        said.append(f"would end the maintenance by {longest} at the latest")
    return tuple(said)


def _would_leave_goal_if(evidence: Evidence, policy: Policy) -> list[str]:
    """In maintenance at the goal: the body fat above which the next phase is recommended, where rest is over."""
    fat, goal = evidence.body_fat_pct, evidence.athlete.goal_body_fat_pct
    if fat is None or goal is None:
        return []
    move = Move("body_fat_pct.mean", mean_at(goal, fat.sd, policy.goal_probability, "below"), "above")
    there = moved(evidence, move.path, move.past)
    then = _first_allowed(judge(there, policy), there, policy, gate(there, policy))
    if then.action is Action.SWITCH_PHASE:
        return [f"would {_words(then)} if {move.text}"]
    end = last_day(evidence, policy)
    later = end is not None and end > evidence.as_of  # at the goal it goes on past its last day
    return [f"would end the maintenance with its last day, {end}, if {move.text} by then"] if later else []
