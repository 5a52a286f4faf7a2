"""Human decisions before the safety gate: what a coach may not do, and what a coach must acknowledge."""

from datetime import date, timedelta

from service.domain import safety_rules
from service.domain.arbiter import RULE, deepens
from service.domain.evidence import Evidence, Kind
from service.domain.findings import Finding, Severity, Stage, Verdict, finding, number
from service.domain.history import strained
from service.domain.phases import cuts_in_a_row, goal_reached
from service.domain.policy import Policy
from service.domain.safety import gate, in_deficit, too_lean, too_light
from service.domain.targets import energy_floor_kcal, lowest_energy


def check_change(
    evidence: Evidence,
    policy: Policy,
    new_energy_kcal: float | None = None,
    new_phase: Kind | None = None,
    new_planned_end_on: date | None = None,
) -> list[Finding]:
    """What stands against a change that a coach wants to make.

    Parameters: `new_energy_kcal`, kcal per day, None when it stays; `new_phase`, None when it stays;
    `new_planned_end_on`, the last day of the present or new phase. Returns findings of severity `stop`: a hard limit,
    the change is refused; and of severity `warning`: a soft limit, the change needs its code acknowledged.
    """
    return [
        *_hard(evidence, policy, new_energy_kcal, new_phase),
        *_soft_energy(evidence, policy, new_energy_kcal, new_phase),
        *_soft_phase(evidence, policy, new_phase, new_planned_end_on),
        *_soft_state(evidence, policy, new_energy_kcal, new_phase),
    ]


def _is_deficit(evidence: Evidence, policy: Policy, energy: float | None, phase: Kind | None) -> bool:
    """Whether the athlete would be in a deficit after the change."""
    if (phase or evidence.kind) == "cut":
        return True
    after = evidence.energy_kcal if energy is None else energy
    return after is not None and in_deficit(evidence, policy, after)


def _hard(evidence: Evidence, policy: Policy, energy: float | None, phase: Kind | None) -> list[Finding]:
    found: list[Finding] = []
    if _is_deficit(evidence, policy, energy, phase):
        closed = () if gate(evidence, policy).deficit_open else gate(evidence, policy).closed_by
        for rule in safety_rules.RULES:
            if rule.code in (*closed, "loss.ceiling") and rule.code != "safety.pain":
                found += [verdict] if (verdict := rule(evidence, policy)) is not None else []
        for code, verdict_of in (("floor.body_fat", too_lean), ("floor.bmi", too_light)):
            if (said := verdict_of(evidence, policy)) is not None:
                found.append(finding(code, Severity.STOP, said, policy, RULE[code].thresholds))
    if energy is None:
        return found
    floor = energy_floor_kcal(evidence, policy)
    if energy < floor:
        words = f"{number(energy)} kcal is below the energy floor of {number(floor)} kcal."
        said = Verdict(words, {"energy_kcal": energy, "floor_kcal": floor})
        found.append(finding("limit.energy_floor", Severity.STOP, said, policy, RULE["limit.energy_floor"].thresholds))
    limit = lowest_energy(evidence, policy)
    if limit.name != "energy_floor" and energy < limit.energy_kcal - 1.0:
        words = (
            f"{number(energy)} kcal is a larger deficit than allowed: {number(limit.energy_kcal)} kcal is the least."
        )
        said = Verdict(words, {"energy_kcal": energy, "least_kcal": limit.energy_kcal, "limit": limit.name})
        found.append(finding("limit.deficit", Severity.STOP, said, policy, RULE["limit.deficit"].thresholds))
    return found


def _soft_energy(evidence: Evidence, policy: Policy, energy: float | None, phase: Kind | None) -> list[Finding]:
    now, today, last = evidence.energy_kcal, evidence.phase, evidence.history.last_energy_change_on
    if energy is None or now is None or energy == now or (phase is not None and phase != evidence.kind):
        return []
    found = []
    most = min(policy.energy_step_max_kcal, now * policy.energy_step_max_pct / 100.0)
    if abs(energy - now) > most:
        words = f"A change of {number(abs(energy - now))} kcal at once is larger than {number(most)} kcal."
        found.append(_soft("limit.step", words, policy, "energy_step_max_kcal", "energy_step_max_pct"))
    if today is not None and today.day <= policy.energy_quiet_days:
        words = f"It is day {today.day} of the {today.kind}: water and gut content move the scale in the first days."
        found.append(_soft("energy.quiet_days", words, policy, "energy_quiet_days"))
    if last is not None and (evidence.as_of - last).days < policy.energy_change_min_interval_days:
        words = f"Energy was changed {(evidence.as_of - last).days} days ago; its effect cannot show yet."
        found.append(_soft("energy.too_soon", words, policy, "energy_change_min_interval_days"))
    return found


def _soft_phase(evidence: Evidence, policy: Policy, phase: Kind | None, end: date | None) -> list[Finding]:
    now, found = evidence.phase, []
    switching = phase is not None and phase != evidence.kind
    if switching and now is not None and phase != "maintain":
        least = {"build": policy.build_min_days, "maintain": policy.maintain_min_days, "cut": 0}[now.kind]
        if now.day < least:
            words = f"The {now.kind} is on day {now.day}; it usually lasts {least} days or more."
            found.append(_soft("phase.too_short", words, policy, "build_min_days", "maintain_min_days"))
    if switching and phase == "cut":
        row = cuts_in_a_row(evidence)
        if row >= policy.cuts_in_a_row_max:
            words = f"It would be cut number {row + 1} without a build between."
            found.append(_soft("phase.cuts_in_a_row", words, policy, "cuts_in_a_row_max"))
        if goal_reached(evidence, policy):
            found.append(_soft("goal.reached", "The body-fat goal is already reached.", policy, "goal_probability"))
    starts = evidence.as_of + timedelta(days=1) if switching or now is None else now.starts_on
    if end is not None and (phase or evidence.kind) == "cut" and (end - starts).days + 1 > policy.cut_max_days:
        words = f"A cut until {end} lasts {(end - starts).days + 1} days, longer than {policy.cut_max_days}."
        found.append(_soft("phase.longest_cut", words, policy, "cut_max_days"))
    return found


def _soft_state(evidence: Evidence, policy: Policy, energy: float | None, phase: Kind | None) -> list[Finding]:
    found = []
    lean = evidence.fat_free_mass_kg
    if (
        energy is not None
        and lean
        and (energy - (evidence.exercise_kcal or 0.0)) / lean < policy.energy_availability_flag
    ):
        available = (energy - (evidence.exercise_kcal or 0.0)) / lean
        words = (
            f"It leaves {number(available, 1)} kcal per kg of fat-free mass, below"
            f" {number(policy.energy_availability_flag)}; a screen with poor sensitivity (45 %)."
        )
        found.append(_soft("safety.energy_availability", words, policy, "energy_availability_flag"))
    if not deepens(evidence, policy, energy, phase):
        return found
    opened = gate(evidence, policy)
    if not opened.screened:
        found.append(_soft("screening.unanswered", "The screening questions are not all answered.", policy))
    if not opened.deepening_open:
        found.append(
            _soft("safety.symptom_noted", "Dizziness or palpitations were noted lately.", policy, "symptom_window_days")
        )
    if (evidence.strength_lost or 0.0) >= policy.strength_warn_probability:
        words = f"Strength on the main lifts is probably lost ({number(evidence.strength_lost or 0.0, 2)})."
        found.append(_soft("strength.lost", words, policy, "strength_warn_probability"))
    if signs := strained(evidence, policy):
        found.append(
            _soft("wellbeing.strain", f"The athlete is under strain: {', '.join(signs)}.", policy, "strain_signs")
        )
    data = [rule(evidence, policy) for code, rule in RULE.items() if rule.stage is Stage.DATA and rule.action]
    found += [_soft(said.code, said.statement, policy) for said in data if said is not None]
    return found


def _soft(code: str, words: str, policy: Policy, *thresholds: str) -> Finding:
    return finding(code, Severity.WARNING, Verdict(words), policy, thresholds)
