"""Human decisions before the safety gate: what a coach may not do, and what a coach must acknowledge."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from service.domain.evidence import Evidence, Kind, Screening
from service.domain.policy import Policy
from service.domain.rules import safety_rules
from service.domain.rules.findings import Finding, Severity, Stage, Verdict, finding, soft
from service.domain.rules.gate import (
    BODY_FAT_FLOOR,
    gate,
    in_deficit,
    maintenance_by_profile,
    too_lean,
    too_light,
)
from service.domain.rules.history import STRAIN, strained
from service.domain.rules.phase_rules import GOAL
from service.domain.rules.phases import cuts_in_a_row, goal_reached
from service.domain.rules.proposals import deepens
from service.domain.rules.referral import MILD_SYMPTOM, PERIOD_LATE, closed_scopes, conditions, late_period
from service.domain.rules.rulebook import RULE
from service.domain.rules.screening import unanswered
from service.domain.rules.targets import (
    DEFICIT_CAPS,
    ENERGY_FLOOR,
    Limit,
    deficit_caps,
    energy_floor_kcal,
    lowest_energy,
)
from service.domain.sentence import say
from service.domain.training.exercise import Exercise


@dataclass(frozen=True)
class Change:
    """What a coach wants to be other than it is; None for what stays.

    `energy_kcal` per day (None with a phase: that phase names none); `phase`, a phase that starts, also one of the
    same kind as the present one; `starts_on` and `planned_end_on`, of the present or new phase; `window`, whether the
    targets have an eating window.
    """

    energy_kcal: float | None = None
    phase: Kind | None = None
    starts_on: date | None = None
    planned_end_on: date | None = None
    window: bool = False


def check_change(evidence: Evidence, policy: Policy, change: Change) -> list[Finding]:
    """What stands against a change that a coach wants to make.

    Returns findings of severity `stop`: a hard limit, the change is refused; and of severity `warning`: a soft limit,
    the change needs its code acknowledged.
    """
    return [
        *_hard(evidence, policy, change),
        *_soft_deficit(evidence, policy, change.energy_kcal),
        *_soft_energy(evidence, policy, change),
        *_soft_phase(evidence, policy, change),
        *_soft_state(evidence, policy, change.energy_kcal, change.phase),
    ]


def check_training(evidence: Evidence, policy: Policy, exercises: Collection[Exercise]) -> list[Finding]:
    """What stands against more training: `exercises`, those that are new or get more sets, repetitions or effort.

    Returns findings as `check_change`: what closes load, and pain or a restriction that stops one of these lifts, are
    hard limits; one that holds its load, and a mild symptom of late, are soft ones.
    """
    if not exercises:
        return []
    opened = gate(evidence, policy)
    sore = [s for s in opened.sore if any(s.touches(exercise) for exercise in exercises)]
    stopping = {s.code for s in sore if s.limit == "stop"}
    closed = {c.code for c in conditions(evidence, policy) if "load" in closed_scopes(evidence, policy, c)} | stopping
    findings = [replace(found, severity=Severity.STOP) for found in _found(sorted(closed), evidence, policy)]
    holding = {s.code for s in sore if s.limit == "hold"} - stopping
    findings += [replace(found, severity=Severity.WARNING) for found in _found(sorted(holding), evidence, policy)]
    return findings + ([] if opened.deepening_open else [_symptom_noted(policy)])


def _found(codes: Sequence[str], evidence: Evidence, policy: Policy) -> list[Finding]:
    return [found for code in codes if (found := RULE[code](evidence, policy)) is not None]


def _is_deficit(evidence: Evidence, policy: Policy, energy: float | None, phase: Kind | None) -> bool:
    """Whether the athlete would be in a deficit after the change."""
    if (phase or evidence.kind) == "cut":
        return True
    after = evidence.energy_kcal if energy is None and phase is None else energy
    return after is not None and in_deficit(evidence, policy, after)


def _hard(evidence: Evidence, policy: Policy, change: Change) -> list[Finding]:
    findings: list[Finding] = []
    closed: list[str] = []
    energy, opened = change.energy_kcal, gate(evidence, policy)
    if change.window and opened.on_referral_list:
        verdict = Verdict(say("safety.eating_window"))
        findings.append(finding("safety.eating_window", Severity.STOP, verdict, policy))
    if _is_deficit(evidence, policy, energy, change.phase):
        closed = [c.code for c in conditions(evidence, policy) if "deficit" in closed_scopes(evidence, policy, c)]
        for rule in safety_rules.RULES:
            if rule.code in (*closed, "loss.ceiling"):
                findings += [hard] if (hard := rule(evidence, policy)) is not None else []
        if (lean := too_lean(evidence, policy)) is not None:
            findings.append(finding("floor.body_fat", Severity.STOP, lean, policy, BODY_FAT_FLOOR))
        if (light := too_light(evidence, policy)) is not None:
            findings.append(finding("floor.bmi", Severity.STOP, light, policy, ("bmi_floor",)))
    if energy is None:
        return findings
    floor = energy_floor_kcal(evidence, policy)
    if energy < floor:
        verdict = Verdict(
            say("limit.energy_below_floor", energy_kcal=energy, floor_kcal=floor),
            {"energy_kcal": energy, "floor_kcal": floor},
        )
        findings.append(finding("limit.energy_floor", Severity.STOP, verdict, policy, ENERGY_FLOOR))
    limit = lowest_energy(_presumed(evidence, policy), policy, policy.deficit_cap_refusal)
    if not closed and _over_cap(energy, limit):  # beside a referral a lowest target would read as leave to go there
        verdict = Verdict(
            say("limit.energy_below_deficit_cap", energy_kcal=energy, least_kcal=limit.energy_kcal),
            {"energy_kcal": energy, "least_kcal": limit.energy_kcal, "limit": limit.name},
        )
        findings.append(
            finding("limit.deficit", Severity.STOP, verdict, policy, (*DEFICIT_CAPS, "deficit_cap_refusal"))
        )
    return findings


def _presumed(evidence: Evidence, policy: Policy) -> Evidence:
    """The evidence, with the maintenance of the profile where none is estimated yet: no intake has moved that one."""
    if evidence.maintenance_kcal is not None:
        return evidence
    log = replace(evidence.log, logged_intake_kcal=None)
    return replace(evidence, maintenance_kcal=maintenance_by_profile(evidence, policy), log=log)


def _over_cap(energy_kcal: float, limit: Limit) -> bool:
    return limit.name != "energy_floor" and energy_kcal < limit.energy_kcal - 1.0


def _soft_deficit(evidence: Evidence, policy: Policy, energy: float | None) -> list[Finding]:
    """A deficit that may be over its cap, of which the service would propose none: a coach may know more."""
    presumed = _presumed(evidence, policy)
    limit = lowest_energy(presumed, policy)
    if energy is None or not _over_cap(energy, limit):
        return []
    if _over_cap(energy, lowest_energy(presumed, policy, policy.deficit_cap_refusal)):
        return []
    chance = max(cap.probability_broken(energy) for cap in deficit_caps(presumed, policy))
    statement = say("limit.deficit_possible", energy_kcal=energy, probability=chance, least_kcal=limit.energy_kcal)
    return [soft("limit.deficit_possible", statement, policy, *DEFICIT_CAPS, "deficit_cap_risk")]


def _soft_energy(evidence: Evidence, policy: Policy, change: Change) -> list[Finding]:
    energy = change.energy_kcal
    now, today, last = evidence.energy_kcal, evidence.phase, evidence.history.last_energy_change_on
    if energy is None or now is None or energy == now or change.phase not in (None, evidence.kind):
        return []
    findings = []
    most = min(policy.energy_step_max_kcal, now * policy.energy_step_max_pct / 100.0)
    if abs(energy - now) > most:
        statement = say("limit.step", change_kcal=abs(energy - now), most_kcal=most)
        findings.append(soft("limit.step", statement, policy, "energy_step_max_kcal", "energy_step_max_pct"))
    if today is not None and today.day <= policy.energy_quiet_days:
        statement = say("energy.change_in_quiet_days", day=today.day, phase=today.kind)
        findings.append(soft("energy.quiet_days", statement, policy, "energy_quiet_days"))
    if last is not None and (evidence.as_of - last).days < policy.energy_change_min_interval_days:
        statement = say("energy.change_too_soon", days=(evidence.as_of - last).days)
        findings.append(soft("energy.too_soon", statement, policy, "energy_change_min_interval_days"))
    return findings


def _soft_phase(evidence: Evidence, policy: Policy, change: Change) -> list[Finding]:
    now, phase, end = evidence.phase, change.phase, change.planned_end_on
    findings = []
    starts = change.starts_on or (now.starts_on if now and phase is None else evidence.as_of + timedelta(days=1))
    if phase is not None and now is not None and phase not in ("maintain", now.kind):
        least = {"build": policy.build_min_days, "maintain": policy.maintain_min_days, "cut": 0}[now.kind]
        day = (starts - now.starts_on).days
        if day < least:
            statement = say("phase.too_short", phase=now.kind, days=max(day, 0), least_days=least)
            findings.append(soft("phase.too_short", statement, policy, "build_min_days", "maintain_min_days"))
    if phase == "cut":
        row = cuts_in_a_row(evidence) + (evidence.kind == "cut")
        if row >= policy.cuts_in_a_row_max:
            findings.append(
                soft("phase.cuts_in_a_row", say("phase.cuts_in_a_row", count=row + 1), policy, "cuts_in_a_row_max")
            )
        if goal_reached(evidence, policy):
            findings.append(soft("goal.reached", say("goal.reached_already"), policy, *GOAL))
    if end is not None and (phase or evidence.kind) == "cut" and (end - starts).days + 1 > policy.cut_max_days:
        statement = say("phase.cut_too_long", ends_on=end, days=(end - starts).days + 1, most_days=policy.cut_max_days)
        findings.append(soft("phase.longest_cut", statement, policy, "cut_max_days"))
    return findings


def _soft_state(evidence: Evidence, policy: Policy, energy: float | None, phase: Kind | None) -> list[Finding]:
    findings = []
    low = None if energy is None else safety_rules.availability_after(evidence, policy, energy)
    findings += [low] if low is not None else []
    if not deepens(evidence, policy, energy, phase):
        return findings
    opened = gate(evidence, policy)
    if not opened.screened:
        questions = unanswered(evidence.screening or Screening(), evidence.athlete.male)
        missing = say("screening.not_answered", questions=questions)
        findings.append(soft("screening.unanswered", missing, policy))
    if not opened.deepening_open:
        findings.append(_symptom_noted(policy))
    if (late := late_period(evidence, policy)) is not None:
        findings.append(soft(PERIOD_LATE, late.statement, policy, "menses_late_months"))
    if (evidence.strength_lost or 0.0) >= policy.strength_warn_probability:
        statement = say("strength.lost_probably", probability=evidence.strength_lost)
        findings.append(soft("strength.lost", statement, policy, "strength_warn_probability"))
    if signs := strained(evidence, policy):
        statement = say("wellbeing.under_strain", signs=tuple(sign.sentence for sign in signs))
        findings.append(soft("wellbeing.strain", statement, policy, *STRAIN))
    for rule in RULE.values():
        if rule.stage is Stage.DATA and rule.action and (verdict := rule.judge(evidence, policy)) is not None:
            findings.append(soft(rule.code, verdict.statement, policy, *rule.thresholds))
    return findings


def _symptom_noted(policy: Policy) -> Finding:
    return soft("safety.symptom_noted", say("safety.symptom_of_late"), policy, *MILD_SYMPTOM)
