"""Which phase follows which, and why: the transition table as data, and its guards."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta

from service.domain.evidence import Evidence, Kind
from service.domain.policy import Policy
from service.domain.rules.gate import BODY_FAT_FLOOR, IN_DEFICIT, in_deficit, too_lean, too_light
from service.domain.rules.targets import CUT_ENERGY, phase_energy

# What functions below read of the policy, for the rules that ask them.
LAST_DAY_OF_MAINTENANCE = ("maintain_min_days", "maintain_max_days", "energy_quiet_days", "diet_break_days")
CUT_IS_POSSIBLE = (
    "goal_probability",
    *BODY_FAT_FLOOR,
    "bmi_floor",
    "cut_min_days",
    "cut_rate_slow_pct",
    "cut_rate_aim_pct",
    *CUT_ENERGY,
    *IN_DEFICIT,
)
Guard = Callable[[Evidence, Policy], bool]


@dataclass(frozen=True)
class Switch:
    """A recommended change of phase; `planned_end_on` is the policy's usual length of the new one."""

    to: Kind
    on: date
    planned_end_on: date


@dataclass(frozen=True)
class Transition:
    """One way out of a phase: on this finding, to that phase, if the guard (in words and as a function) allows."""

    source: Kind
    because: str
    to: Kind
    words: str
    guard: Guard | None = None
    when: str = ""
    after_last_day: bool = False  # not tomorrow but on the day after the phase's last one, where that is later
    days: str | None = None  # the threshold that says how long the next phase is planned, if not its usual length


def estimated_at_goal(evidence: Evidence, policy: Policy) -> bool:
    """Whether body fat is estimated to be at the goal, whatever was measured of late."""
    goal, fat = evidence.athlete.goal_body_fat_pct, evidence.body_fat_pct
    return goal is not None and fat is not None and fat.probability_below(goal) >= policy.goal_probability


def goal_reached(evidence: Evidence, policy: Policy) -> bool:
    """Whether body fat is at the goal at the policy's probability and the latest measurements agree."""
    goal = evidence.athlete.goal_body_fat_pct
    if goal is None or not estimated_at_goal(evidence, policy):
        return False
    latest = sorted(evidence.log.body_fat_measurements, key=lambda m: (m.on, m.body_fat_pct))[
        -policy.goal_measurements :
    ]
    return len(latest) == policy.goal_measurements and all(
        m.body_fat_pct <= goal + policy.goal_tolerance_pct
        and 0 <= (evidence.as_of - m.on).days <= policy.goal_measurement_max_age_days
        for m in latest
    )


def cut_is_possible(evidence: Evidence, policy: Policy) -> bool:
    """Whether a cut makes sense: not at the goal, not too lean or light, and limits leave room for a real deficit."""
    if estimated_at_goal(evidence, policy) or too_lean(evidence, policy) or _soon_too_light(evidence, policy):
        return False
    energy = phase_energy(evidence, policy, "cut")
    return energy is None or in_deficit(evidence, policy, energy.energy_kcal)


def _soon_too_light(evidence: Evidence, policy: Policy) -> bool:
    """Whether the shortest cut at the slow edge of its band would end below the floor of the body mass index."""
    if evidence.average_mass_kg is None:
        return False
    share = 1.0 + policy.cut_rate_slow_pct / 100.0 * policy.cut_min_days / 7.0
    mass = evidence.average_mass_kg
    return too_light(replace(evidence, average_mass_kg=mass.moved_to(mass.mean * share)), policy) is not None


def fat_ceiling_pct(evidence: Evidence, policy: Policy) -> float:
    """Body fat above which a build ends; the lower one when the sex is unknown."""
    return policy.build_fat_ceiling_female_pct if evidence.athlete.male is False else policy.build_fat_ceiling_male_pct


def too_fat_to_build(evidence: Evidence, policy: Policy) -> bool:
    """Whether body fat is rather above a build's ceiling than below it."""
    fat = evidence.body_fat_pct
    return fat is not None and fat.mean > fat_ceiling_pct(evidence, policy)


def cuts_in_a_row(evidence: Evidence) -> int:
    """Cuts since the last build, the present one not counted."""
    count = 0
    for phase in reversed(evidence.past_phases):
        if phase.kind == "build":
            break
        count += phase.kind == "cut"
    return count


def is_diet_break(evidence: Evidence, policy: Policy) -> bool:
    """Whether the present maintenance was planned as a short break inside a cut."""
    now, past = evidence.phase, evidence.past_phases
    if now is None or now.kind != "maintain" or now.planned_end_on is None or not past or past[-1].kind != "cut":
        return False
    return policy.energy_quiet_days <= (now.planned_end_on - now.starts_on).days + 1 <= policy.diet_break_days


def cut_is_next(evidence: Evidence, policy: Policy) -> bool:
    """Whether maintenance leads into a cut: after a build or diet break, or too fat for a build; not after too many."""
    if not cut_is_possible(evidence, policy) or evidence.phase is None:
        return False
    worked = [phase.kind for phase in evidence.past_phases if phase.kind != "maintain"]
    due_by_history = too_fat_to_build(evidence, policy) or is_diet_break(evidence, policy) or worked[-1:] == ["build"]
    long_break = evidence.phase.day + policy.phase_lookahead_days >= policy.maintain_max_days
    return due_by_history and (cuts_in_a_row(evidence) < policy.cuts_in_a_row_max or long_break)


REFERRAL = "safety.referral"  # stands for whatever finding of the referral list closes the gate
_POSSIBLE = "a cut is possible: not at the goal, not too lean or light"
TRANSITIONS: tuple[Transition, ...] = (
    Transition("build", "phase.planned_end", "cut", "planned end", cut_is_possible, _POSSIBLE, after_last_day=True),
    Transition("build", "phase.planned_end", "maintain", "planned end", after_last_day=True),
    Transition("build", "phase.fat_ceiling", "cut", "fat ceiling", cut_is_possible, _POSSIBLE),
    Transition("build", "phase.fat_ceiling", "maintain", "fat ceiling"),
    Transition("build", "phase.plateau", "cut", "no lift rising for weeks after a deload", cut_is_possible, _POSSIBLE),
    Transition("build", "phase.plateau", "maintain", "no lift rising for weeks after a deload"),
    Transition("cut", "goal.reached", "maintain", "goal reached"),
    Transition("cut", "strength.lost_twice", "maintain", "strength lost in two reviews"),
    Transition("cut", "phase.planned_end", "maintain", "planned end", after_last_day=True),
    Transition("cut", "phase.longest_cut", "maintain", "longest cut", after_last_day=True),
    Transition("cut", "phase.stalled", "maintain", "stalled with energy at its limit"),
    Transition("cut", "phase.diet_break", "maintain", "diet break after strain", days="diet_break_days"),
    Transition("cut", "loss.ceiling", "maintain", "loss too fast"),
    Transition("cut", "floor.body_fat", "maintain", "too lean"),
    Transition("cut", "floor.bmi", "maintain", "too light"),
    Transition("cut", "safety", "maintain", "referral"),
    Transition(
        "maintain",
        "phase.rested",
        "cut",
        "rested",
        cut_is_next,
        "after a build or diet break, or above the fat ceiling",
        after_last_day=True,
    ),
    Transition("maintain", "phase.rested", "build", "rested", after_last_day=True),
)


def _way_out(evidence: Evidence, policy: Policy, because: str) -> Transition | None:
    for row in TRANSITIONS:
        named = row.because == because or because.startswith(row.because + ".")
        if row.source == evidence.kind and named and (row.guard is None or row.guard(evidence, policy)):
            return row
    return None


def next_kind(evidence: Evidence, policy: Policy, because: str) -> Kind | None:
    """The phase that follows the present one on a finding, None when the table knows no way out."""
    row = _way_out(evidence, policy, because)
    return row.to if row else None


def last_day(evidence: Evidence, policy: Policy) -> date | None:
    """The last day of the present phase: its planned end, kept within the policy's lengths; None when it is open."""
    now = evidence.phase
    if now is None:
        return None
    if now.kind == "cut":
        return min(now.planned_end_on or date.max, _day(now.starts_on, policy.cut_max_days))
    if now.kind == "build":
        return now.planned_end_on and max(now.planned_end_on, _day(now.starts_on, policy.build_min_days))
    if is_diet_break(evidence, policy):
        return now.planned_end_on
    least = _day(now.starts_on, policy.maintain_min_days)
    return min(max(now.planned_end_on or least, least), _day(now.starts_on, policy.maintain_max_days))


def _day(starts_on: date, day: int) -> date:
    return starts_on + timedelta(days=day - 1)


def due(evidence: Evidence, policy: Policy, on: date) -> bool:
    """Whether a date comes before the next weekly review."""
    return (on - evidence.as_of).days <= policy.phase_lookahead_days


def switch(evidence: Evidence, policy: Policy, because: str) -> Switch | None:
    """The switch that a finding leads to: the day after the phase's last day when that is due, else tomorrow."""
    row = _way_out(evidence, policy, because)
    if row is None:
        return None
    on, last = evidence.as_of, last_day(evidence, policy)
    if row.after_last_day and last is not None:
        on = max(on, last)
    on += timedelta(days=1)
    days: int = getattr(policy, row.days or _USUAL_DAYS[row.to])
    return Switch(row.to, on, on + timedelta(days=days - 1))


_USUAL_DAYS = {"cut": "cut_plan_days", "build": "build_plan_days", "maintain": "maintain_min_days"}
