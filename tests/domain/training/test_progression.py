"""Prescriptions: every rule, and what must hold whatever was logged (common practice, no source, unless named)."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.catalogue.exercises import exercises
from service.catalogue.sentences import render
from service.domain.evidence import ScalarEstimate
from service.domain.policy import DEFAULT
from service.domain.strength.repetitions import load_for
from service.domain.training.loads import IN_KILOGRAMS, IN_POUNDS, POUND_KG, Gym, available_loads, nearest_load
from service.domain.training.prescription import LiftSession, Prescription, Scheme, Situation
from service.domain.training.progression import prescribe

TODAY = date(2026, 3, 2)
CATALOGUE = exercises()
ROW, HINGE, PULL_UP = CATALOGUE["barbell-row"], CATALOGUE["romanian-deadlift"], CATALOGUE["pull-up"]
SCHEME = Scheme(3, 6, 10, 2)
KG = available_loads(ROW, IN_KILOGRAMS)
HANGING = available_loads(PULL_UP, IN_KILOGRAMS)


def session(days_ago: int, kg: float, *reps: int, **more: object) -> LiftSession:
    return replace(LiftSession(TODAY - timedelta(days=days_ago), kg, reps), **more)  # type: ignore[arg-type]


def row(*history: LiftSession, **now: object) -> Prescription:
    return prescribe(ROW, SCHEME, history, replace(Situation(TODAY), **now), KG)  # type: ignore[arg-type]


def pull_up(*history: LiftSession, mass_kg: float = 80.0) -> Prescription:
    return prescribe(PULL_UP, SCHEME, history, Situation(TODAY, body_mass_kg=mass_kg), HANGING)


def test_all_sets_at_the_top_earn_two_to_ten_per_cent() -> None:
    """ACSM 2009, doi 10.1249/MSS.0b013e3181915670: +2–10 % once the current load is exceeded."""
    next_one = row(session(3, 60, 10, 10, 10))
    assert (next_one.rule, next_one.load_kg) == ("add_load", 62.5)
    assert "+4.2 %" in render(*next_one.why)


def test_much_in_reserve_earns_the_largest_step() -> None:
    easy = row(session(3, 60, 10, 10, 10, rir=(4.0, 4.0, 4.0)))
    assert (easy.rule, easy.load_kg) == ("add_load", 65.0)


def test_reaching_the_top_without_reserve_is_not_enough() -> None:
    assert row(session(3, 60, 10, 10, 10, rir=(1.0, 0.0, 0.0))).rule == "hold"


def test_else_the_load_stays_and_repetitions_grow() -> None:
    next_one = row(session(3, 60, 10, 9, 8))
    assert (next_one.rule, next_one.load_kg, next_one.least, next_one.most) == ("hold", 60.0, 6, 10)


def test_one_miss_is_a_bad_day_and_two_back_off() -> None:
    once = row(session(6, 100, 7, 6, 6), session(3, 100, 6, 5, 4))
    assert (once.rule, once.load_kg) == ("hold", 100.0) and "bad day" in render(*once.why)
    twice = row(session(6, 100, 6, 5, 4), session(3, 100, 5, 5, 4))
    assert twice.rule == "back_off" and 90.0 <= (twice.load_kg or 0) <= 95.0


def test_in_a_cut_loads_are_held_and_sets_go_before_load() -> None:
    held = row(session(3, 60, 10, 10, 10), phase="cut")
    assert (held.rule, held.load_kg, held.sets) == ("cut_hold", 60.0, 3)
    fewer = row(session(3, 60, 6, 5, 5), phase="cut")
    assert (fewer.rule, fewer.load_kg, fewer.sets) == ("cut_sets", 60.0, 2)
    last_resort = row(session(6, 60, 5, 5), session(3, 60, 5, 4), phase="cut")
    assert (last_resort.rule, last_resort.sets) == ("back_off", 2)
    assert 54.0 <= (last_resort.load_kg or 0) <= 57.0


def test_a_lower_load_is_not_argued_against_by_its_own_reason() -> None:
    """What the estimated maximum allows decides: no advice beside it to hold the load, or to drop sets before load."""
    weaker = ScalarEstimate(60.0, 2.0, 56.0, 62.0)
    missed, kept = session(3, 60, 6, 5, 5), session(3, 60, 10, 10, 10)
    lighter, held = (row(last, phase="cut", one_rep_max_kg=weaker) for last in (missed, kept))
    assert (lighter.rule, lighter.sets) == ("cut_sets", 2) and (lighter.load_kg or 0) < 60.0
    assert render(*lighter.why) == (
        "Lighter after a miss in a cut: the estimated maximum allows no more for these repetitions."
    )
    assert held.rule == "cut_hold" and (held.load_kg or 0) < 60.0
    assert render(*held.why) == "Kept lower: the estimated maximum allows no more for these repetitions."


def test_a_deload_is_lighter_and_half_as_much() -> None:
    last = session(3, 60, 10, 9, 8)
    assert row(last).rule == "hold"
    light = row(last, deload=True)
    assert (light.rule, light.sets, light.rir) == ("deload", 2, 4) and 51.0 <= (light.load_kg or 0) <= 54.0


def test_after_a_deload_the_old_load_comes_back() -> None:
    after = row(session(10, 60, 9, 9, 8), session(3, 52.5, 10, 10, deload=True))
    assert (after.rule, after.load_kg) == ("hold", 60.0)


@pytest.mark.parametrize(("days", "most_kg"), [(14, 90.0), (28, 85.0), (56, 80.0)])
def test_a_return_after_two_weeks_or_more_starts_lower(days: int, most_kg: float) -> None:
    back = row(session(days, 100, 10, 10, 10))
    assert (back.rule, back.load_kg, back.sets) == ("return", most_kg, 2)
    assert row(session(13, 100, 10, 10, 10)).rule == "add_load"


def test_pull_ups_climb_from_assistance_to_body_weight_to_added_weight() -> None:
    done = (10, 10, 10)
    assert pull_up(session(3, -20, *done)).assistance_kg == 15.0
    free = pull_up(session(3, -5, *done))
    assert (free.added_kg, free.assistance_kg) == (0.0, None) and "body weight" in render(*free.why)
    hung = pull_up(session(3, 0.0, *done))
    assert hung.added_kg == 2.5 and "added weight" in render(*hung.why)
    assert pull_up(session(3, 10, *done)).added_kg == 12.5


def test_the_step_of_a_body_weight_lift_is_a_share_of_the_system() -> None:
    heavy = pull_up(session(3, 10, 10, 10, 10), mass_kg=120)
    assert heavy.added_kg == 13.75  # 2 % of 130 kg is 2.6 kg


def test_bad_form_stops_the_lift() -> None:
    assert row(session(3, 60, 8, 8, 8), form_note=True).rule == "stop"


def test_a_lift_that_was_stopped_for_pain_comes_back_lighter_until_it_has_been_trained() -> None:
    """Common practice, no source: a tenth lighter."""
    hurt = session(9, 100, 10, 10, 10)
    back = row(hurt, stopped_until=TODAY - timedelta(days=9))
    assert (back.rule, back.load_kg, back.sets) == ("return", 90.0, 2) and "10 % lighter" in render(*back.why)
    assert row(hurt).rule == "add_load"
    assert row(hurt, session(2, 90, 10, 10, 10), stopped_until=TODAY - timedelta(days=9)).rule == "add_load"
    longer = row(session(28, 100, 10, 10, 10), stopped_until=TODAY - timedelta(days=28))
    assert longer.load_kg == 85.0, "a longer pause takes more off"


def test_a_first_load_comes_from_the_estimates_lower_bound_or_is_found_out() -> None:
    maximum = ScalarEstimate(100.0, 8.0, 87.0, 113.0)
    first = row(one_rep_max_kg=maximum)
    assert first.rule == "start" and 50.0 <= (first.load_kg or 0) <= 65.0
    assert row().rule == "find" and row().load_kg is None
    weak = ScalarEstimate(15.0, 1.0, 13.0, 17.0)
    assert row(one_rep_max_kg=weak).load_kg is None  # the empty bar would be too heavy


def test_no_load_goes_beyond_what_the_estimate_allows() -> None:
    """At the fewest repetitions asked with the reserve asked: 6 + 2 at 1/27 each beyond the first, 113 → 89.7 kg."""
    maximum = ScalarEstimate(100.0, 8.0, 87.0, 113.0)
    typed = session(3, 132.5, 8, 8, 8)
    assert row(typed).load_kg == 132.5
    held = row(typed, one_rep_max_kg=maximum)
    assert (held.rule, held.load_kg, held.sets, held.rir) == ("hold", 87.5, 3, 2) and "estimated maximum" in render(
        *held.why
    )
    assert row(session(3, 87.5, 8, 8, 8), one_rep_max_kg=maximum).load_kg == 87.5
    assert row(session(3, 90.0, 8, 8, 8), one_rep_max_kg=maximum).load_kg == 87.5
    earned = row(session(3, 87.5, 10, 10, 10), one_rep_max_kg=maximum)
    assert (earned.rule, earned.load_kg) == ("hold", 87.5)
    assert row(session(3, 60, 10, 10, 10), one_rep_max_kg=maximum).rule == "add_load"
    deload = row(session(3, 600, 8, 8, 8), one_rep_max_kg=maximum, deload=True)
    assert (deload.rule, deload.load_kg, deload.rir) == ("deload", 82.5, 4)  # 6 + 4 repetitions: 84.75 kg
    lifted = ScalarEstimate(90.0, 3.0, 85.0, 95.0)
    hanging = Situation(TODAY, body_mass_kg=80.0, one_rep_max_kg=lifted)
    helped = prescribe(PULL_UP, SCHEME, [session(3, 20.0, 8, 8, 8)], hanging, HANGING)
    assert (helped.added_kg, helped.assistance_kg) == (None, 5.0)  # the system: 75.4 kg
    unknown = Situation(TODAY, one_rep_max_kg=lifted)
    assert prescribe(PULL_UP, SCHEME, [session(3, 20.0, 8, 8, 8)], unknown, HANGING).added_kg == 20.0


def test_where_the_next_load_is_too_far_away_repetitions_grow() -> None:
    raise_ = CATALOGUE["lateral-raise"]
    loads = available_loads(raise_, Gym(dumbbell_step=2.0))
    one = prescribe(raise_, Scheme(3, 10, 15, 2), [session(3, 8, 15, 15, 15)], Situation(TODAY), loads)
    assert (one.rule, one.load_kg, one.most) == ("add_reps", 8.0, 17)
    more = prescribe(raise_, Scheme(3, 10, 15, 2), [session(3, 8, 17, 17, 17)], Situation(TODAY), loads)
    assert more.most == 19


def test_another_gym_never_means_a_jump() -> None:
    coarse = (20.0, 40.0, 60.0)
    moved = prescribe(ROW, SCHEME, [session(3, 50, 10, 10, 10)], Situation(TODAY), coarse)
    assert moved.load_kg == 40.0
    nothing = prescribe(ROW, SCHEME, [session(3, 10, 10, 10, 10)], Situation(TODAY), coarse)
    assert (nothing.rule, nothing.load_kg) == ("find", None)


def test_a_gym_in_pounds_gives_whole_pounds() -> None:
    loads = available_loads(ROW, IN_POUNDS)
    step = prescribe(ROW, SCHEME, [session(3, 135 * POUND_KG, 10, 10, 10)], Situation(TODAY), loads)
    assert step.load_kg is not None and step.load_kg / POUND_KG == pytest.approx(140.0)


def test_later_sessions_are_not_known_yet() -> None:
    history = [session(3, 60, 8, 8, 8), session(-2, 100, 10, 10, 10)]
    assert prescribe(ROW, SCHEME, history, Situation(TODAY), KG).load_kg == 60.0


def test_a_gym_without_the_equipment_gives_no_load() -> None:
    loads = available_loads(CATALOGUE["one-arm-dumbbell-row"], Gym(dumbbell_first=60.0))
    assert loads == ()
    one = prescribe(CATALOGUE["one-arm-dumbbell-row"], SCHEME, [session(3, 20, 8)], Situation(TODAY), loads)
    assert (one.rule, one.load_kg) == ("find", None) and "substitute" in render(*one.why)


@pytest.mark.parametrize("gym", [IN_KILOGRAMS, IN_POUNDS, Gym(smallest_plate=0.0001), Gym(stack_add_on=0, bar=0)])
def test_loads_ascend_and_are_not_countless(gym: Gym) -> None:
    for exercise in CATALOGUE.values():
        loads = available_loads(exercise, gym)
        assert list(loads) == sorted(set(loads)) and 1 <= len(loads) < 5000
        assert exercise.body_mass_share > 0 or loads[0] >= 0


gyms = st.sampled_from([IN_KILOGRAMS, IN_POUNDS, Gym(smallest_plate=0.5), Gym(dumbbell_step=2.5), Gym(stack_add_on=0)])
slugs = st.sampled_from(sorted(CATALOGUE))
maxima = st.floats(10, 400).map(lambda kg: ScalarEstimate(kg, kg / 16, kg * 0.9, kg * 1.1))
situations = st.builds(
    Situation,
    on=st.just(TODAY),
    phase=st.sampled_from([None, "build", "cut", "maintain"]),
    body_mass_kg=st.one_of(st.none(), st.floats(45, 140)),
    one_rep_max_kg=st.one_of(st.none(), maxima),
    deload=st.booleans(),
)


@given(slugs, gyms, situations, st.data())
def test_a_prescription_exists_on_the_equipment_and_never_jumps(
    slug: str, gym: Gym, now: Situation, data: st.DataObject
) -> None:
    exercise, scheme = CATALOGUE[slug], Scheme(data.draw(st.integers(1, 5)), 6, 10, 2)
    loads = available_loads(exercise, gym)
    kg = data.draw(st.one_of(st.sampled_from(loads), st.floats(loads[0], loads[-1])))
    reps = st.lists(st.integers(0, 20), min_size=1, max_size=5).map(tuple)
    rir = st.lists(st.one_of(st.none(), st.floats(0, 5)), max_size=5).map(tuple)
    history = [
        LiftSession(
            TODAY - timedelta(days=d), kg, data.draw(reps), data.draw(rir), data.draw(st.sampled_from([None, 6]))
        )
        for d in sorted(data.draw(st.sets(st.integers(1, 80), min_size=1, max_size=4)), reverse=True)
    ]
    one = prescribe(exercise, scheme, history, now, loads)
    signed = (one.load_kg, one.added_kg, None if one.assistance_kg is None else -one.assistance_kg)
    known = [load for load in signed if load is not None]
    assert len(known) <= 1 and one.why
    assert 0 <= one.sets <= scheme.sets and one.least <= one.most
    assert one.external_kg == (known[0] if known else None)
    if known and now.one_rep_max_kg is not None and (now.body_mass_kg is not None or not exercise.body_mass_share):
        allowed = load_for(now.one_rep_max_kg.hi, one.least + one.rir, exercise.repetition_curve)
        assert known[0] + exercise.body_mass_share * (now.body_mass_kg or 0.0) <= allowed + 1e-6
    if known:
        assert min(abs(known[0] - load) for load in loads) < 1e-9
    if known and one.rule != "start":
        body = exercise.body_mass_share * (now.body_mass_kg or 75.0)
        assert body + known[0] <= (body + kg) * (1 + DEFAULT.load_step_max_pct / 100) + 1e-6
        if now.phase == "cut":
            assert known[0] <= nearest_load(loads, kg)


@given(slugs, situations, st.integers(3, 12), st.integers(3, 12))
def test_pounds_and_kilograms_ask_for_the_same(slug: str, now: Situation, first: int, later: int) -> None:
    """The same gym, counted in another unit: the prescription's load is the same to the gram."""
    exercise = CATALOGUE[slug]
    in_kg = tuple(round(load / POUND_KG, 9) * POUND_KG for load in available_loads(exercise, IN_KILOGRAMS))
    history = [session(d, in_kg[len(in_kg) // 2], first, later, later) for d in (7, 3)]
    one = prescribe(exercise, SCHEME, history, now, available_loads(exercise, IN_KILOGRAMS))
    other = prescribe(exercise, SCHEME, history, now, in_kg)
    assert (one.rule, one.sets) == (other.rule, other.sets)
    for name in ("load_kg", "added_kg", "assistance_kg"):
        assert getattr(one, name) == pytest.approx(getattr(other, name), abs=1e-6)


PLANK, CARRY, PUSH_UP = CATALOGUE["plank"], CATALOGUE["farmers-carry"], CATALOGUE["push-up"]


def hold(*history: LiftSession) -> Prescription:
    return prescribe(PLANK, Scheme(3, 20, 40), history, Situation(TODAY, body_mass_kg=80), available_loads(PLANK))


def carry(*history: LiftSession) -> Prescription:
    return prescribe(CARRY, Scheme(3, 20, 40), history, Situation(TODAY), available_loads(CARRY))


def test_holds_grow_by_time_and_then_by_a_harder_form() -> None:
    assert hold(session(3, 0, 40, 35, 30)).rule == "hold"
    longer = hold(session(3, 0, 40, 40, 40))
    assert (longer.rule, longer.least, longer.most, longer.added_kg) == ("add_time", 25, 45, 0.0)
    at_the_end = hold(session(3, 0, 90, 90, 90))
    assert (at_the_end.most, at_the_end.added_kg) == (70, 0.0) and "harder variation" in render(*at_the_end.why)
    assert "40 s" in render(*longer.why) and "repetition" not in render(*longer.why)


def test_carries_grow_by_load_and_by_distance_where_none_is_near() -> None:
    heavier = carry(session(3, 24, 40, 40, 40))
    assert (heavier.rule, heavier.load_kg, heavier.most) == ("add_load", 26.0, 40)
    further = carry(session(3, 12, 40, 40, 40))  # from 12 to 14 kg is more than a tenth
    assert (further.rule, further.load_kg, further.most) == ("add_distance", 12.0, 45)


def test_body_weight_lifts_that_need_no_help_begin_with_body_weight() -> None:
    first = prescribe(PUSH_UP, SCHEME, (), Situation(TODAY, body_mass_kg=80), available_loads(PUSH_UP))
    assert (first.rule, first.added_kg) == ("start", 0.0)
    assert pull_up().rule == "find"


def test_assistance_that_was_logged_is_kept_whatever_the_gym_is_thought_to_have() -> None:
    for lift, helped_kg in ((PULL_UP, 67.5), (PUSH_UP, 15.0)):
        loads = available_loads(lift, assistance_kg=helped_kg)
        now = Situation(TODAY, body_mass_kg=95)
        held = prescribe(lift, SCHEME, [session(3, -helped_kg, 8, 7, 7)], now, loads)
        assert (held.rule, held.assistance_kg) == ("hold", helped_kg)
    less = prescribe(
        PULL_UP, SCHEME, [session(3, -67.5, 10, 10, 10)], now, available_loads(PULL_UP, assistance_kg=67.5)
    )
    assert (less.rule, less.assistance_kg) == ("add_load", 65.0)


def test_care_starts_lighter_with_more_in_reserve_and_says_why() -> None:
    maximum = ScalarEstimate(100.0, 8.0, 87.0, 113.0)
    usual, careful = row(one_rep_max_kg=maximum), row(one_rep_max_kg=maximum, care=("age",))
    assert careful.load_kg is not None and usual.load_kg is not None and careful.load_kg < 0.95 * usual.load_kg
    assert careful.rir == usual.rir + DEFAULT.care_rir_more and "60 or older" in render(*careful.why)
    assert "break" in render(*row(care=("return",)).why) and "new to training" in render(*row(care=("untrained",)).why)


def test_care_wants_the_top_twice_and_takes_the_smallest_step() -> None:
    """The two-for-two rule (NSCA, from memory)."""
    easy = {"rir": (4.0, 4.0, 4.0)}
    once = row(session(3, 60, 10, 10, 10, **easy), care=("age",))
    assert (once.rule, once.load_kg) == ("hold", 60.0) and "once more" in render(*once.why)
    twice = row(session(6, 60, 10, 10, 10, **easy), session(3, 60, 10, 10, 10, **easy), care=("age",))
    assert (twice.rule, twice.load_kg) == ("add_load", 62.5)
