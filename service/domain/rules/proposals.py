"""What following a finding would mean, after the safety gate; and which finding is followed.

The first finding that argues for an action makes the proposal, with two exceptions: missing data hold back neither the
end of a cut nor the first targets of a phase, beside which they are asked for. What starts or deepens a deficit must
pass the safety gate.
"""

from dataclasses import dataclass, replace

from service.domain.evidence import Evidence, Kind
from service.domain.policy import Policy
from service.domain.rules.findings import Action, Finding, Stage
from service.domain.rules.gate import Gate, in_deficit
from service.domain.rules.history import STRAINED, strained
from service.domain.rules.phases import REFERRAL, Switch, switch
from service.domain.rules.referral import NO_FOOD_PLANNED, PERIOD_LATE, SYMPTOM_NOTED, late_period
from service.domain.rules.rule import Rule
from service.domain.rules.rulebook import RULE
from service.domain.rules.screening import UNSCREENED
from service.domain.rules.targets import phase_energy

NO_TARGETS = "energy.unset"  # the finding that asks for the first targets of a phase
OTHER_UNIT = "data.unit_unconfirmed"  # half the body mass, or twice: nothing is to be eaten by that


@dataclass(frozen=True)
class Proposal:
    """An action, the codes of its reasons and of what it does beside, and the energy target that results, if known."""

    action: Action
    reasons: tuple[str, ...]
    energy_kcal: float | None
    phase: Switch | None = None
    beside: tuple[str, ...] = ()

    @property
    def because(self) -> tuple[str, ...]:
        """The codes of all findings that the proposal follows, the leading reason first."""
        return self.reasons + self.beside


def propose(findings: tuple[Finding, ...], evidence: Evidence, policy: Policy, opened: Gate) -> Proposal:
    """What the findings come to: the first that argues for something to be done, else a hold."""
    rules = [RULE[finding.code] for finding in findings]
    arguing = [rule for rule in rules if rule.action is not None]
    if evidence.kind == "cut" and any(rule.action is Action.SWITCH_PHASE for rule in arguing):
        arguing = [rule for rule in arguing if rule.stage is not Stage.DATA]
    if any(rule.code == NO_TARGETS for rule in arguing):
        arguing = [rule for rule in arguing if rule.stage is not Stage.DATA or rule.code == OTHER_UNIT]
    for rule in arguing:
        proposal = _follow(rule, rules, evidence, policy, opened)
        if proposal is not None:
            return proposal
    supports = tuple(rule.code for rule in rules if rule.supports_hold)
    return Proposal(Action.HOLD, supports, evidence.energy_kcal)


def _follow(rule: Rule, rules: list[Rule], evidence: Evidence, policy: Policy, opened: Gate) -> Proposal | None:
    """What a rule's finding asks for, after the gate; None when there is nothing to do about it.

    Parameters: `rules`, those of all findings, in order.
    """
    agreeing = [other for other in rules if (other.action, other.stage) == (rule.action, rule.stage)]
    codes, energy = tuple(other.code for other in agreeing), evidence.energy_kcal
    match rule.action:
        case Action.REFER:
            return _refer(rules, evidence, policy, opened)
        case Action.STOP_DEFICIT:
            return Proposal(
                Action.STOP_DEFICIT, codes, _out_of_deficit(evidence, policy), switch(evidence, policy, rule.code)
            )
        case Action.SWITCH_PHASE:
            to = switch(evidence, policy, rule.code)
            if to is None:
                return None
            ended = Proposal(Action.SWITCH_PHASE, codes, _energy_after(evidence, policy, to.to), to)
            return _gated(ended, evidence, policy, opened)
        case Action.CHANGE_ENERGY:
            change = _change_energy(rule, agreeing, evidence, policy)
            if rule.code == NO_TARGETS and change is not None:
                change = replace(change, beside=_asking_for_data(rules))
            return change and _gated(change, evidence, policy, opened)
        case Action.COLLECT_DATA | Action.DELOAD:
            return Proposal(rule.action, codes, energy)
        case _:
            return Proposal(Action.HOLD, (rule.code,), energy)


def _change_energy(rule: Rule, agreeing: list[Rule], evidence: Evidence, policy: Policy) -> Proposal | None:
    """The rule's own step, with those of the agreeing rules that go the same way as reasons."""
    steps = [(other.code, other.step(evidence, policy)) for other in agreeing if other.step is not None]
    step = dict(steps).get(rule.code)
    if step is None:
        return None
    same_way = tuple(code for code, other in steps if other is not None and other.is_rise == step.is_rise)
    return Proposal(Action.CHANGE_ENERGY, same_way, step.to_kcal)


def _asking_for_data(rules: list[Rule]) -> tuple[str, ...]:
    return tuple(rule.code for rule in rules if rule.stage is Stage.DATA and rule.action is Action.COLLECT_DATA)


def _gated(proposal: Proposal, evidence: Evidence, policy: Policy, opened: Gate) -> Proposal:
    """The proposal, or what stands in its place when it starts or deepens a deficit and may not."""
    if not deepens(evidence, policy, proposal.energy_kcal, proposal.phase.to if proposal.phase else None):
        return proposal
    if not opened.deficit_open:
        return Proposal(Action.REFER, opened.closed_by, evidence.energy_kcal)
    if not opened.deepening_open:
        return Proposal(Action.HOLD, (SYMPTOM_NOTED,), evidence.energy_kcal)
    if late_period(evidence, policy) is not None:
        return Proposal(Action.HOLD, (PERIOD_LATE,), evidence.energy_kcal)
    if strained(evidence, policy):
        return Proposal(Action.HOLD, (STRAINED,), evidence.energy_kcal)
    if not opened.screened:
        return Proposal(Action.COLLECT_DATA, (UNSCREENED,), evidence.energy_kcal, beside=proposal.because)
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


def _refer(rules: list[Rule], evidence: Evidence, policy: Policy, opened: Gate) -> Proposal:
    """Refer; a deficit that is not cleared ends now, a cut that should end anyway with it.

    A due rise is made, and first targets are set: who is referred for insulin or a sore back has to eat.
    """
    reasons = tuple(rule.code for rule in rules if rule.action in (Action.REFER, Action.STOP_DEFICIT))
    ending = [
        rule
        for rule in rules
        if rule.action is Action.STOP_DEFICIT or (rule.action is Action.SWITCH_PHASE and evidence.kind == "cut")
    ]
    raising, raised_kcal = _rise(rules, evidence, policy)
    if raised_kcal is None:
        raising, raised_kcal = _first_targets(rules, evidence, policy, opened)
    if opened.deficit_open and not ending:
        energy = evidence.energy_kcal if raised_kcal is None else raised_kcal
        return Proposal(Action.REFER, reasons, energy, beside=raising)
    code, energy = ending[0].code if opened.deficit_open else REFERRAL, _out_of_deficit(evidence, policy)
    to = switch(evidence, policy, code)
    if raised_kcal is not None and (energy is None or raised_kcal > energy):
        return Proposal(Action.REFER, reasons, raised_kcal, to, beside=raising)
    return Proposal(Action.REFER, reasons, energy, to)


def _first_targets(
    rules: list[Rule], evidence: Evidence, policy: Policy, opened: Gate
) -> tuple[tuple[str, ...], float | None]:
    """The first targets of a phase beside a referral: the codes they follow, and kcal.

    None while a unit is in question, for those of whom nothing is planned to eat, and where a deficit may not start.
    """
    codes = [rule.code for rule in rules]
    if NO_TARGETS not in codes or OTHER_UNIT in codes or not {*NO_FOOD_PLANNED}.isdisjoint(opened.closed_by):
        return (), None
    first = _follow(RULE[NO_TARGETS], rules, evidence, policy, opened)
    return (first.because, first.energy_kcal) if first is not None and first.energy_kcal is not None else ((), None)


def _rise(rules: list[Rule], evidence: Evidence, policy: Policy) -> tuple[tuple[str, ...], float | None]:
    """The first rise of energy towards safety that findings ask for, its code and kcal: no referral withholds it.

    The rates and strength wait as they do without a referral: for data, the quiet days, and since the last change.
    """
    delayed = any(rule.delays_rise for rule in rules)
    for rule in rules:
        if rule.step is not None and (rule.rise == "at_once" or (rule.rise == "when_due" and not delayed)):
            step = rule.step(evidence, policy)
            if step is not None and step.is_rise:
                return (rule.code,), step.to_kcal
    return (), None


def _out_of_deficit(evidence: Evidence, policy: Policy) -> float | None:
    """Maintenance on the logged scale, never below the present target; None when neither it nor a stand-in is known."""
    now = evidence.energy_kcal
    if not in_deficit(evidence, policy):
        return now
    fitting = phase_energy(evidence, policy, "maintain")
    maintenance = fitting.energy_kcal if fitting else evidence.energy_before_cut_kcal
    return maintenance if now is None or maintenance is None else max(maintenance, now)


def _energy_after(evidence: Evidence, policy: Policy, to: Kind) -> float | None:
    """The energy of the phase that follows; None when neither maintenance nor what was eaten before is known.

    The way out of a cut is never down, whatever maintenance is estimated at.
    """
    fitting = phase_energy(evidence, policy, to)
    if fitting is None:
        return evidence.energy_before_cut_kcal if evidence.kind == "cut" else None
    now = evidence.energy_kcal
    if evidence.kind != "cut" or to != "maintain" or now is None:
        return fitting.energy_kcal
    energy = fitting.energy_kcal
    if policy.maintain_return_steps == 2:
        energy = 10.0 * round((now + energy) / 20.0)
    return max(energy, now)
