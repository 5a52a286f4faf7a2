"""What a goal would take: masses by published partition, the calendar of cuts by hand, what holds for every goal."""

from dataclasses import replace
from datetime import date, timedelta
from math import log

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from service.domain.evidence import Evidence, PastPhase, PastReview, Screening
from service.domain.policy import DEFAULT
from service.domain.rules.findings import Severity
from service.domain.rules.goal import OUT_OF_REACH, GoalCheck, check_goal
from service.domain.rules.rulebook import RULE
from tests.domain.rules.on_plan import CLEAR, TODAY, ago, but, phase, q, said

NO_PHASE = {"phase": None, "past_phases": (), "maintenance_kcal": None}  # without maintenance the band alone limits


def after(days: int) -> date:
    return TODAY + timedelta(days=days)


def checked(evidence: Evidence) -> GoalCheck:
    check = check_goal(evidence, DEFAULT)
    assert check is not None
    return check


def aiming(goal_pct: float, by: date | None = None, **changes: object) -> Evidence:
    return but(athlete__goal_body_fat_pct=goal_pct, **{"athlete__goal_by": by, **changes})


def test_the_mass_to_lose_is_partitioned_as_in_people_who_lift():
    """80 kg at 18 %: 14.4 kg of fat; at 15 % the lean share of the loss is three quarters of Forbes' 10.4/(10.4 + F).

    Followed in steps of a gram (Hall 2007, 10.1017/S0007114507691946; Garthe 2011 for the three quarters).
    """
    mass_kg, fat_kg = 80.0, 14.4
    while fat_kg / mass_kg > 0.15:
        mass_kg -= 0.001
        fat_kg -= 0.001 * (1.0 - 0.75 * 10.4 / (10.4 + fat_kg))
    way = checked(aiming(15.0)).way
    assert way is not None
    assert (way.mass_kg, way.lose_kg) == pytest.approx((mass_kg, 80.0 - mass_kg), abs=2e-3)
    assert way.lose_fat_kg == pytest.approx(14.4 - fat_kg, abs=2e-3)
    assert (14.4 - way.lose_fat_kg) / way.mass_kg == pytest.approx(0.15, abs=1e-9)


def test_a_date_too_soon_is_answered_with_the_rate_it_needs_and_the_earliest_date():
    """A woman of 70 kg and 25 % who is to be at 18 % too soon: the rate she would need, and when it is possible."""
    start = {"athlete__male": False, "average_mass_kg": q(70.0, 0.3), "body_fat_pct": q(25.0, 2.0), **NO_PHASE}
    way = checked(aiming(18.0, **start)).way
    assert way is not None and way.lose_kg == pytest.approx(9.81, abs=0.01)
    check = checked(aiming(18.0, after(42), **start))
    assert check.status == "too_soon" and check.possible is False
    assert check.needed_pct_per_week == pytest.approx(-100.0 * log(70.0 / way.mass_kg) / 6.0)
    assert check.needed_pct_per_week == pytest.approx(-2.52, abs=0.01)
    text = said(check.statement)
    assert "From 25.0 % to 18.0 % body fat means losing about 9.8 kg" in text and "more than the limits allow" in text
    assert "By 12 April that would take" in text and "The earliest date is" in text and "1.00 % a week" in text


CUT, REST, LONG_REST = DEFAULT.cut_max_days, DEFAULT.maintain_min_days, DEFAULT.maintain_max_days
ONE_CUT = (PastPhase("build", ago(200), ago(120)), PastPhase("cut", ago(119), ago(20)))
CALENDAR = [  # what runs, days in cuts that the goal takes, days from today on which they have passed
    ({}, 1, 1),
    ({}, CUT, CUT),
    ({}, CUT + 1, CUT + REST + 1),
    ({}, 2 * CUT, 2 * CUT + REST),
    ({}, 2 * CUT + 1, 2 * CUT + REST + LONG_REST + 1),  # two cuts in a row, then the longer rest
    ({"phase": phase("cut", 20, 35)}, CUT - 20, CUT - 20),  # on to the longest cut
    ({"phase": phase("cut", 20, 35)}, CUT - 19, CUT - 20 + REST + 1),
    ({"phase": phase("cut", 50)}, 1, REST + 1),  # over already
    ({"phase": phase("maintain", 20, 30)}, 1, 10 + 1),  # as planned
    ({"phase": phase("maintain", 20, 21)}, 1, REST - 20 + 1),  # not shorter than the least
    ({"phase": phase("maintain", 20, 30), "past_phases": ONE_CUT}, CUT + 1, 10 + CUT + LONG_REST + 1),
    ({"phase": phase("maintain", 20, 30), "past_phases": ONE_CUT + ONE_CUT[1:]}, 1, LONG_REST - 20 + 1),
    ({"phase": phase("build", 20, 60)}, 1, 40 + 1),
    ({"phase": phase("build", 20)}, 1, DEFAULT.build_min_days - 20 + 1),  # open: its least length
    ({"phase": phase("build", 90)}, 1, 1),
]


@pytest.mark.parametrize(("running", "days", "expected"), CALENDAR)
def test_the_earliest_day_counts_the_maintenance_between_and_what_is_running(running, days, expected):
    """A goal that takes so many days at 1 % a week, the fast edge of the band."""
    low, high = 8.0, 18.0
    for _ in range(60):  # the goal that takes half a day less than these
        middle = (low + high) / 2.0
        way = checked(aiming(middle, **NO_PHASE)).way
        assert way is not None
        low, high = (middle, high) if 700.0 * way.distance > days - 0.5 else (low, middle)
    way = checked(aiming(high, **{**NO_PHASE, **running})).way
    assert way is not None and way.fastest_pct_per_week == -1.0
    assert way.earliest_on == after(expected)
    assert checked(aiming(high, after(expected), **{**NO_PHASE, **running})).status == "possible"
    assert checked(aiming(high, after(expected - 1), **{**NO_PHASE, **running})).status in ("too_soon", "date_passed")


def test_limits_on_energy_make_a_cut_slower_than_the_band():
    """80 kg at a deficit of at most a quarter of 2500 kcal, and at 8 % at most 69 kcal per kg of fat (Alpert 2005)."""
    free = checked(aiming(12.0, maintenance_kcal=None)).way
    light = checked(aiming(12.0, maintenance_kcal=q(2500.0, 90.0), energy_requirement_kcal=q(2600.0, 90.0))).way
    lean = checked(aiming(8.0, maintenance_kcal=q(2500.0, 90.0), energy_requirement_kcal=q(2600.0, 90.0))).way
    assert free is not None and light is not None and lean is not None
    assert free.fastest_pct_per_week == -1.0 < light.fastest_pct_per_week < lean.fastest_pct_per_week < 0.0
    assert free.earliest_on < light.earliest_on < lean.earliest_on
    fat_kg = 0.08 * lean.mass_kg  # at the goal: a week of 69 kcal per kg of fat, of tissue of 5000 kcal/kg and more
    assert -lean.fastest_pct_per_week / 100.0 * lean.mass_kg < 7.0 * 69.0 * fat_kg / 4000.0


def test_little_known_maintenance_does_not_move_the_date():
    known, unknown = (checked(aiming(14.0, maintenance_kcal=q(2600.0, sd))).way for sd in (40.0, 400.0))
    assert known == unknown


ANSWERS = [
    (aiming(6.9), "below_floor", "below the floor of 7 %"),
    (aiming(11.0, athlete__male=False), "below_floor", "below the floor of 12 %"),
    (aiming(6.0, average_mass_kg=None, body_fat_pct=None), "below_floor", "below the floor"),
    (aiming(12.0, log__body_fat_measurements=()), "unknown", "still needed: a body-fat measurement."),
    (aiming(12.0, average_mass_kg=None), "unknown", "still needed: a weigh-in."),
    (
        aiming(12.0, average_mass_kg=None, log__body_fat_measurements=()),
        "unknown",
        "still needed: a weigh-in and a body-fat measurement.",
    ),
    (aiming(30.0, phase=phase("build", 20, 60)), "upward", "already below the goal of 30.0 %: no cut leads there"),
    (
        aiming(19.0, phase=phase("build", 20, 60)),
        "reached",
        "The goal of 19.0 % body fat may be reached already (69 % likely; estimated 18.0 %).",
    ),
    (aiming(12.0, screening=replace(CLEAR, pregnant_or_breastfeeding=True)), "referred", "no deficit until"),
    (aiming(12.0, athlete__age_y=16.0), "referred", "No date can be given"),
    (aiming(12.0, athlete__height_cm=200.0), "too_light", "would mean a body mass index of 17.7"),
    (aiming(12.0, maintenance_kcal=q(1560.0, 90.0)), "no_room", "leave no room for a cut"),
    (aiming(12.0, TODAY), "date_passed", "The goal's date, 1 March, has passed"),
    (aiming(12.0, after(20), phase=phase("build", 20, 60)), "too_soon", "no cut fits in before"),
    (aiming(12.0, after(60)), "too_soon", "more than the limits allow"),
    (aiming(12.0), "possible", "The earliest date is 19 August (13 May 2026 to 12 January 2027)"),
    (aiming(12.0, after(400)), "possible", "% a week in the cuts"),
]


@pytest.mark.parametrize(("evidence", "status", "words"), ANSWERS)
def test_every_goal_is_answered(evidence, status, words):
    check = checked(evidence)
    assert check.status == status and words in said(check.statement), said(check.statement)
    found = RULE["goal.check"](evidence, DEFAULT)
    assert found is not None and found.statement == check.statement
    dates, others = ("too_soon", "date_passed"), ("below_floor", "too_light", "no_room")
    severity = {**dict.fromkeys(dates, Severity.ADVICE), **dict.fromkeys(others, Severity.WARNING)}
    assert found.severity is severity.get(status, Severity.INFO)
    assert found.evidence["status"] == status
    assert (check.possible is False) == (status in OUT_OF_REACH)


@pytest.mark.parametrize(("sd", "told"), [(3.0, True), (7.0, False)])
def test_a_range_of_more_than_a_year_to_a_side_is_not_told(sd, told):
    needs = {"maintenance_kcal": q(3600.0, 100.0), "energy_requirement_kcal": q(3600.0, 100.0)}
    check = checked(aiming(15.0, body_fat_pct=q(30.0, sd), average_mass_kg=q(110.0, 0.3), **needs))
    assert check.way is not None and check.early_on is not None and check.late_on is not None
    wide = max(check.way.earliest_on - check.early_on, check.late_on - check.way.earliest_on) > timedelta(days=365)
    statement = said(check.statement)
    assert wide is not told and ("(" in statement.partition("The earliest date is ")[2]) is told, statement


def test_out_of_reach_is_told_with_weight_at_first_and_then_every_week_as_it_is():
    evidence = aiming(12.0, after(60))
    told = PastReview(ago(7), ("goal.check",), pressing=("goal.check",))
    known = PastReview(ago(7), ("goal.check",))
    for reviews, severity in (((), Severity.ADVICE), ((known,), Severity.ADVICE), ((known, told), Severity.INFO)):
        found = RULE["goal.check"](replace(evidence, history=replace(evidence.history, reviews=reviews)), DEFAULT)
        assert found is not None and found.severity is severity and found.evidence["status"] == "too_soon"


def test_without_a_goal_there_is_nothing_to_check():
    assert check_goal(but(athlete__goal_body_fat_pct=None), DEFAULT) is None


def test_unanswered_screening_does_not_hide_what_a_goal_takes():
    """The review asks for it, and no deficit starts before; a professional's clearance opens what was referred."""
    assert checked(aiming(12.0, screening=None)).status == "possible"
    assert checked(aiming(12.0, screening=Screening())).status == "possible"


people = st.builds(
    but,
    athlete__male=st.booleans(),
    athlete__height_cm=st.floats(155.0, 190.0),
    average_mass_kg=st.builds(q, st.floats(60.0, 120.0), st.just(0.3)),
    body_fat_pct=st.builds(q, st.floats(20.0, 40.0), st.floats(0.3, 4.0)),
    maintenance_kcal=st.none() | st.builds(q, st.floats(1600.0, 3600.0), st.just(90.0)),
    energy_requirement_kcal=st.none(),
    log__logged_intake_kcal=st.none() | st.floats(1500.0, 3000.0),
    phase=st.none()
    | st.builds(
        phase, st.sampled_from(["cut", "build", "maintain"]), st.integers(1, 60), st.none() | st.integers(14, 90)
    ),
    past_phases=st.sampled_from([(), ONE_CUT, ONE_CUT + ONE_CUT[1:]]),
)
HAS_WAY = ("possible", "too_soon", "date_passed")


def with_goal(evidence: Evidence, goal_pct: float, by: date | None = None) -> Evidence:
    return replace(evidence, athlete=replace(evidence.athlete, goal_body_fat_pct=goal_pct, goal_by=by))


@settings(max_examples=200, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(people, st.floats(13.0, 19.9), st.integers(1, 500), st.integers(0, 500))
def test_a_later_date_never_needs_a_faster_rate(evidence, goal_pct, days, more):
    sooner, later = (checked(with_goal(evidence, goal_pct, after(at))) for at in (days, days + more))
    assume(sooner.status in HAS_WAY)
    assert sooner.way == later.way and sooner.way is not None
    if sooner.needed_pct_per_week is not None:
        assert later.needed_pct_per_week is not None
        assert later.needed_pct_per_week >= sooner.needed_pct_per_week
    for check, by in ((sooner, after(days)), (later, after(days + more))):
        within = check.needed_pct_per_week is not None and (
            check.needed_pct_per_week >= sooner.way.fastest_pct_per_week - 1e-9
        )
        assert (check.status == "possible") == (by >= sooner.way.earliest_on) == within


@settings(max_examples=200, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(people, st.floats(13.0, 19.9), st.floats(0.0, 6.0))
def test_a_goal_further_away_is_never_reached_earlier(evidence, goal_pct, further):
    near, far = (checked(with_goal(evidence, goal)) for goal in (goal_pct, max(goal_pct - further, 12.0)))
    assume(near.way is not None and far.way is not None)
    assert far.way.lose_kg >= near.way.lose_kg - 1e-9
    assert far.way.earliest_on >= near.way.earliest_on


@settings(max_examples=200, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(people, st.floats(13.0, 19.9))
def test_the_earliest_day_lies_between_those_at_the_ends_of_body_fat(evidence, goal_pct):
    check = checked(with_goal(evidence, goal_pct))
    assume(check.way is not None)
    assert check.early_on is not None and check.early_on <= check.way.earliest_on
    assert check.late_on is None or check.way.earliest_on <= check.late_on
    assert check.way.earliest_on > TODAY and check.early_on >= TODAY
