"""What a body-fat goal would take: mass to lose, the rate its date needs, and the earliest date the policy allows."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, timedelta
from itertools import takewhile
from math import ceil, log1p
from typing import Literal

from service.domain.estimation.model import LEAN_LOSS
from service.domain.evidence import Evidence, PhaseNow, ScalarEstimate
from service.domain.physiology.energy import lean_share_of_mass_change, tissue_between_kg
from service.domain.policy import Policy
from service.domain.rules.clearances import CLEARANCE
from service.domain.rules.findings import STEADY_PCT
from service.domain.rules.gate import IN_DEFICIT, body_fat_floor_pct, in_deficit, too_light
from service.domain.rules.phases import LAST_DAY_OF_MAINTENANCE, cuts_in_a_row, last_day
from service.domain.rules.referral import closed_scopes, conditions
from service.domain.rules.targets import DEFICIT_CAPS, fastest_loss_pct, fat_mass_kg, likely_lowest_kcal
from service.domain.sentence import Sentence, say

Status = Literal[
    "unknown", "below_floor", "upward", "reached", "referred", "too_light", "no_room", "date_passed", "too_soon",
    "possible",
]  # fmt: skip
Fact = Literal["mass_kg", "body_fat_pct"]
OUT_OF_REACH: tuple[Status, ...] = ("below_floor", "too_light", "no_room", "date_passed", "too_soon")
SURELY = 0.95  # that body fat is below the goal already: then it is a goal to rise to
WIDEST = timedelta(days=365)  # to either side of the earliest day, beyond which its range is not told (judgement)
MOST_FAT_PCT = 75.0  # an interval of body fat is looked at up to here

# What `check_goal` reads of the policy, for the rules that ask it.
GOAL_CHECK = (
    "body_fat_floor_male_pct",
    "body_fat_floor_female_pct",
    "adult_age_y",
    "symptom_window_days",
    "menses_missing_months",
    *CLEARANCE,
    "bmi_floor",
    "cut_rate_fast_pct",
    *DEFICIT_CAPS,
    *IN_DEFICIT,
    "expenditure_response",
    *LAST_DAY_OF_MAINTENANCE,
    "cut_max_days",
    "build_min_days",
    "cuts_in_a_row_max",
)


@dataclass(frozen=True)
class Way:
    """From a body fat to the goal: masses in kg, the fastest loss that is allowed all the way, and the earliest day."""

    mass_kg: float  # at the goal
    lose_kg: float
    lose_fat_kg: float
    fastest_pct_per_week: float
    earliest_on: date

    @property
    def distance(self) -> float:
        """How often the mass falls by a factor of e: what is lost at a rate in per cent of the mass of the day."""
        return log1p(self.lose_kg / self.mass_kg)


@dataclass(frozen=True)
class GoalCheck:
    """What a goal would take, and whether it can be reached as it is set.

    `needed_pct_per_week` is the loss that its date needs in the cuts until then, None without a date or without a cut
    before it; `early_on` and `late_on` are the earliest days at the ends of the interval of body fat, None where the
    goal is out of reach there.
    """

    status: Status
    statement: Sentence
    missing: tuple[Fact, ...] = ()
    way: Way | None = None
    needed_pct_per_week: float | None = None
    early_on: date | None = None
    late_on: date | None = None

    @property
    def possible(self) -> bool | None:
        """Whether the policy allows it as it is set; None where nobody knows, or a professional has to clear it."""
        return None if self.status in ("unknown", "referred") else self.status not in OUT_OF_REACH


def check_goal(evidence: Evidence, policy: Policy) -> GoalCheck | None:
    """What the athlete's body-fat goal would take, and the earliest date that the policy allows; None without a goal.

    Loss is at the fastest rate that the band and the limits on energy allow both here and at the goal; needs are taken
    to fall in proportion to mass (common practice, no source). Cuts are as long as they may be, maintenance between
    them as short as it may be, longer after as many cuts in a row as are allowed; a running cut may go on to its
    longest, another running phase ends as planned. Builds between the cuts are not counted. The mass to lose follows
    Forbes' lean share, in the estimator's measure for people who lift (`tissue_between_kg`).
    """
    goal = evidence.athlete.goal_body_fat_pct
    if goal is None:
        return None
    return _without_way(evidence, policy, goal) or _dated(evidence, policy, goal)


def _without_way(evidence: Evidence, policy: Policy, goal_pct: float) -> GoalCheck | None:
    """The answer where there is no fat to lose, or nobody may plan it or can say how much; None elsewhere."""
    fat, floor_pct = evidence.body_fat_pct, body_fat_floor_pct(evidence, policy)
    if goal_pct < floor_pct:
        return GoalCheck("below_floor", say("goal.below_floor", goal_pct=goal_pct, floor_pct=floor_pct))
    missing = _missing(evidence)
    if missing or fat is None:
        return GoalCheck("unknown", say("goal.unknown", goal_pct=goal_pct, missing=missing), missing)
    sure = fat.probability_below(goal_pct)
    if sure >= SURELY:
        return GoalCheck("upward", say("goal.upward", goal_pct=goal_pct, body_fat_pct=fat.mean))
    if fat.mean <= goal_pct:
        said = say("goal.reached_by_estimate", goal_pct=goal_pct, body_fat_pct=fat.mean, probability=sure)
        return GoalCheck("reached", said)
    if any("deficit" in closed_scopes(evidence, policy, listed) for listed in conditions(evidence, policy)):
        return GoalCheck("referred", say("goal.referred", goal_pct=goal_pct))
    there = _at_goal(evidence, goal_pct)
    if too_light(there, policy) is not None:
        index, floor = there.body_mass_index, policy.bmi_floor
        return GoalCheck("too_light", say("goal.too_light", goal_pct=goal_pct, bmi=index, floor=floor))
    if not _room(evidence, there, policy):
        return GoalCheck("no_room", say("goal.no_room", goal_pct=goal_pct))
    return None


def _missing(evidence: Evidence) -> tuple[Fact, ...]:
    weighed = evidence.average_mass_kg is not None and evidence.log.days_since_weigh_in is not None
    measured = evidence.body_fat_pct is not None and bool(evidence.log.body_fat_measurements)
    facts: tuple[tuple[Fact, bool], ...] = (("mass_kg", weighed), ("body_fat_pct", measured))
    return tuple(fact for fact, known in facts if not known)


def _dated(evidence: Evidence, policy: Policy, goal_pct: float) -> GoalCheck:
    """The answer where there is fat to lose: the earliest day, and the rate that the goal's own date needs."""
    way, by, fat = _way(evidence, policy, goal_pct), evidence.athlete.goal_by, evidence.body_fat_pct
    assert fat is not None
    edges = (fat.moved_to(fat.lo), fat.moved_to(min(fat.hi, MOST_FAT_PCT)))
    early_on, late_on = (_earliest_on(replace(evidence, body_fat_pct=edge), policy, goal_pct) for edge in edges)
    days = 0 if by is None else _days_in_cuts(evidence, policy, by)
    needed = -700.0 * way.distance / days if days else None
    status: Status = "possible"
    if by is not None and by < way.earliest_on:
        status = "date_passed" if by <= evidence.as_of else "too_soon"
    statement = _words(evidence, goal_pct, way, needed, (early_on, late_on))
    return GoalCheck(status, statement, (), way, needed, early_on, late_on)


def _words(
    evidence: Evidence, goal_pct: float, way: Way, needed: float | None, between: tuple[date | None, date | None]
) -> Sentence:
    """What is said where there is a way: what it takes, what the date needs, the earliest day."""
    by, fat = evidence.athlete.goal_by, evidence.body_fat_pct
    assert fat is not None
    takes = say(
        "goal.takes",
        body_fat_pct=fat.mean,
        goal_pct=goal_pct,
        lose_kg=way.lose_kg,
        fat_kg=way.lose_fat_kg,
        mass_kg=way.mass_kg,
    )
    earliest = say("goal.earliest", fastest=-way.fastest_pct_per_week, on=way.earliest_on, span=_span(way, *between))
    if by is None:
        return say("goal.undated", takes=takes, earliest=earliest)
    if by <= evidence.as_of:
        return say("goal.date_passed", by=by, takes=takes, earliest=earliest)
    if needed is None:
        return say("goal.no_cut_before", by=by, takes=takes, earliest=earliest)
    if by >= way.earliest_on:
        return say("goal.possible", by=by, needed=-needed, takes=takes, earliest=earliest)
    return say("goal.too_soon", by=by, needed=-needed, takes=takes, earliest=earliest)


def _span(way: Way, early: date | None, late: date | None) -> Sentence | None:
    """Between which days the earliest one may lie; None where that is unknown, or so wide that it tells nothing."""
    if early is None or late is None or max(way.earliest_on - early, late - way.earliest_on) > WIDEST:
        return None
    return say("goal.between" if early.year == late.year else "goal.between_years", early=early, late=late)


def _way(evidence: Evidence, policy: Policy, goal_pct: float) -> Way:
    there, mass, fat_kg = _at_goal(evidence, goal_pct), evidence.average_mass_kg, fat_mass_kg(evidence)
    left, left_fat_kg = there.average_mass_kg, fat_mass_kg(there)
    assert mass is not None and fat_kg is not None and left is not None and left_fat_kg is not None
    fastest = max(fastest_loss_pct(evidence, policy), fastest_loss_pct(there, policy))
    lose_kg = mass.mean - left.mean
    days = ceil(-700.0 * log1p(lose_kg / left.mean) / fastest - 1e-9)
    return Way(left.mean, lose_kg, fat_kg - left_fat_kg, fastest, _after_days_in_cuts(evidence, policy, days))


def _earliest_on(evidence: Evidence, policy: Policy, goal_pct: float) -> date | None:
    """The earliest day were body fat another; today where it is at the goal, None where there is no way to it."""
    assert evidence.body_fat_pct is not None
    if evidence.body_fat_pct.mean <= goal_pct:
        return evidence.as_of
    there = _at_goal(evidence, goal_pct)
    if too_light(there, policy) is not None or not _room(evidence, there, policy):
        return None
    return _way(evidence, policy, goal_pct).earliest_on


def _room(evidence: Evidence, there: Evidence, policy: Policy) -> bool:
    """Whether the limits on energy leave room for a deficit that counts and a loss that shows, here and at the goal."""
    return all(
        in_deficit(at, policy, likely_lowest_kcal(at, policy)) and fastest_loss_pct(at, policy) < -STEADY_PCT
        for at in (evidence, there)
    )


def _at_goal(evidence: Evidence, goal_pct: float) -> Evidence:
    """The same athlete at the goal: leaner, lighter, and in need of less in proportion."""
    mass, fat, fat_kg = evidence.average_mass_kg, evidence.body_fat_pct, fat_mass_kg(evidence)
    assert mass is not None and fat is not None and fat_kg is not None
    mass_kg = _mass_at_kg(mass.mean, fat_kg, goal_pct)
    share, eaten = mass_kg / mass.mean, evidence.log.logged_intake_kcal
    return replace(
        evidence,
        average_mass_kg=mass.moved_to(mass_kg),
        body_fat_pct=fat.moved_to(goal_pct),
        maintenance_kcal=_scaled(evidence.maintenance_kcal, share),
        energy_requirement_kcal=_scaled(evidence.energy_requirement_kcal, share),
        log=replace(evidence.log, logged_intake_kcal=None if eaten is None else eaten * share),
    )


def _scaled(estimate: ScalarEstimate | None, share: float) -> ScalarEstimate | None:
    if estimate is None:
        return None
    return ScalarEstimate(*(value * share for value in (estimate.mean, estimate.sd, estimate.lo, estimate.hi)))


def _mass_at_kg(mass_kg: float, fat_kg: float, goal_pct: float) -> float:
    """The mass at which fat has come down to the goal's share of it: Newton's steps from above, which never pass it."""
    fat, left_kg, share = fat_kg, mass_kg, goal_pct / 100.0
    while (above := fat - share * left_kg) > 1e-9:
        mass_per_fat = 1.0 / (1.0 - LEAN_LOSS * float(lean_share_of_mass_change(fat)))
        fat -= above / (1.0 - share * mass_per_fat)
        left_kg = mass_kg - float(tissue_between_kg(fat_kg, fat, LEAN_LOSS))
    return left_kg


def _cuts(evidence: Evidence, policy: Policy) -> Iterator[tuple[date, date]]:
    """First and last day of the cuts that the policy allows from tomorrow on, one after another without end."""
    now, tomorrow, in_a_row = evidence.phase, evidence.as_of + timedelta(days=1), cuts_in_a_row(evidence)
    start, longest = tomorrow, timedelta(days=policy.cut_max_days - 1)
    if now is not None and now.kind == "cut":
        start = now.starts_on
    elif now is not None:
        start = max(tomorrow, _last_day_before_cut(evidence, policy, now) + timedelta(days=1))
        in_a_row = 0 if now.kind == "build" else in_a_row
    while True:
        if start + longest >= tomorrow:
            yield max(start, tomorrow), start + longest
        in_a_row += 1
        rest = policy.maintain_max_days if in_a_row >= policy.cuts_in_a_row_max else policy.maintain_min_days
        start = max(start + longest, evidence.as_of) + timedelta(days=rest + 1)


def _last_day_before_cut(evidence: Evidence, policy: Policy, now: PhaseNow) -> date:
    """The last day of a running build or maintenance: as planned, or its least length where that is open."""
    last = last_day(evidence, policy) or now.starts_on + timedelta(days=policy.build_min_days - 1)
    if now.kind == "maintain" and cuts_in_a_row(evidence) >= policy.cuts_in_a_row_max:
        last = max(last, now.starts_on + timedelta(days=policy.maintain_max_days - 1))
    return last


def _days_in_cuts(evidence: Evidence, policy: Policy, by: date) -> int:
    """How many days of the cuts there are up to a date."""
    cuts = takewhile(lambda cut: cut[0] <= by, _cuts(evidence, policy))
    return sum((min(last, by) - first).days + 1 for first, last in cuts)


def _after_days_in_cuts(evidence: Evidence, policy: Policy, days: int) -> date:
    """The date on which so many days of the cuts, at least one, have passed."""
    for first, last in _cuts(evidence, policy):
        there = first + timedelta(days=days - 1)
        if there <= last:
            return there
        days -= (last - first).days + 1
    raise AssertionError("cuts go on without end")
