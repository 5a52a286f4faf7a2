"""A session's sets become one measurement of strength: monotone, unit-free, with warm-ups left out."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.strength.repetitions import CURVES
from service.domain.strength.sets import LiftSet, SessionLift, pain_only, summarise_sets

work_sets = st.lists(
    st.builds(
        LiftSet,
        external_kg=st.floats(5, 300),
        reps=st.integers(1, 25),
        rir=st.one_of(st.none(), st.floats(0, 6)),
        kind=st.just("work"),
        aids=st.just(False),
        pain=st.none(),
        seconds=st.none(),
        distance_m=st.none(),
    ),
    min_size=1,
    max_size=6,
)


def summary(*sets: LiftSet, share: float = 0.0, curve: str = "table") -> SessionLift:
    result = summarise_sets(sets, body_mass_share=share, repetition_curve=curve)
    assert result is not None
    return result


def test_body_weight_lift_counts_the_system() -> None:
    """methods section 8: 80 kg of body and 20 kg added for 5 gives 116.67 kg of system, 36.67 kg added (Epley)."""
    lift = summary(LiftSet(20.0, 5, 0.0), share=1.0, curve="epley")
    assert lift.one_rep_max_kg(80.0) == pytest.approx(116.67, abs=0.005)
    assert lift.one_rep_max_kg(80.0) - 80.0 == pytest.approx(36.67, abs=0.005)


def test_assisted_free_and_weighted_pull_ups_are_one_scale() -> None:
    system = [summary(LiftSet(kg, 6, 1.0), share=1.0).one_rep_max_kg(80.0) for kg in (-5.0, -0.1, 0.0, 0.1, 5.0)]
    assert system == sorted(system)
    assert system[2] == pytest.approx((system[1] + system[3]) / 2)


def test_losing_mass_with_the_same_belt_is_not_getting_stronger() -> None:
    lift = summary(LiftSet(10.0, 6, 1.0), share=1.0)
    assert lift.one_rep_max_kg(76.0) < lift.one_rep_max_kg(80.0)


def test_repetitions_in_reserve_count_as_effective_repetitions() -> None:
    """RIR = 10 − RPE (Zourdos 2016): five with two in reserve is a seven-repetition set."""
    assert summary(LiftSet(100, 5, 2.0)).one_rep_max_kg(0) == pytest.approx(summary(LiftSet(100, 7, 0)).intercept_kg)


def test_warm_ups_are_left_out_marked_or_by_load() -> None:
    top = [LiftSet(100, 8, 2.0), LiftSet(100, 7, 2.0)]
    marked = summary(LiftSet(95, 3, kind="warm_up"), *top)
    by_load = summary(LiftSet(40, 10), LiftSet(70, 6), *top)
    assert marked == by_load == summary(*top)
    assert marked.hard_sets == 2


def test_a_lighter_hard_set_is_work_before_or_after_the_heaviest() -> None:
    assert summary(LiftSet(80, 15, 1.0), LiftSet(100, 5, 2.0), LiftSet(80, 12, 1.0)).hard_sets == 3


def test_only_warm_ups_or_no_completed_repetition_measure_nothing() -> None:
    assert summarise_sets([]) is None
    assert summarise_sets([LiftSet(60, 5, kind="warm_up"), LiftSet(100, 0)]) is None


def test_sets_without_a_known_load_count_as_volume_but_measure_nothing() -> None:
    band = summary(LiftSet(0.0, 15), LiftSet(0.0, 12))
    assert (band.hard_sets, band.one_rep_max_kg(80.0)) == (2, 0.0)
    assert summary(LiftSet(0.0, 8), LiftSet(60.0, 8)).hard_sets == 1  # a load was forgotten


def test_much_assistance_for_a_heavy_athlete_still_measures() -> None:
    assert summary(LiftSet(-80.0, 6, 1.0), share=1.0).one_rep_max_kg(130.0) > 50.0


def test_a_missing_rir_is_uncertain_not_zero() -> None:
    known, unknown = summary(LiftSet(100, 8, 2.0)), summary(LiftSet(100, 8))
    assert unknown.one_rep_max_kg(0) == pytest.approx(known.one_rep_max_kg(0))
    assert unknown.log_sd > known.log_sd


@pytest.mark.parametrize("curve", sorted(CURVES))
def test_beyond_twelve_effective_repetitions_the_measurement_weighs_less(curve: str) -> None:
    sds = [summary(LiftSet(60, reps, 0.0), curve=curve).log_sd for reps in (12, 14, 18)]
    assert sds[0] < sds[1] < sds[2]


def test_more_sets_measure_better_and_fatigue_is_not_weakness() -> None:
    one, three = summary(LiftSet(100, 8, 2.0)), summary(*(LiftSet(100, r, 2.0) for r in (8, 7, 7)))
    assert three.log_sd < one.log_sd
    assert three.one_rep_max_kg(0) == pytest.approx(one.one_rep_max_kg(0), rel=0.01)


def test_the_summary_is_made_of_plain_numbers_and_shows_the_top_set() -> None:
    lift = summary(LiftSet(90, 8, 2.0, pain=3), LiftSet(100, 5, 1.0, aids=True, pain=6))
    kinds = {type(value) for value in lift}
    assert kinds <= {float, int, bool}
    assert (lift.top_external_kg, lift.top_reps, lift.top_rir, lift.aids, lift.pain) == (100.0, 5, 1.0, True, 6.0)


@given(work_sets, st.integers(0, 5), st.floats(0, 50), st.integers(0, 5), st.sampled_from(sorted(CURVES)))
def test_a_heavier_or_longer_set_never_lowers_the_estimate(
    sets: list[LiftSet], which: int, heavier_kg: float, longer: int, curve: str
) -> None:
    before = summary(*sets, share=1.0, curve=curve).one_rep_max_kg(80.0)
    one = sets[which % len(sets)]
    sets[which % len(sets)] = one._replace(external_kg=one.external_kg + heavier_kg, reps=one.reps + longer)
    assert summary(*sets, share=1.0, curve=curve).one_rep_max_kg(80.0) >= before * (1 - 1e-12)


@given(work_sets)
def test_pounds_and_kilograms_agree(sets: list[LiftSet]) -> None:
    pound_kg = 0.45359237
    pounds = [one._replace(external_kg=one.external_kg / pound_kg) for one in sets]
    assert summary(*pounds).intercept_kg * pound_kg == pytest.approx(summary(*sets).intercept_kg, rel=1e-12)
    assert summary(*pounds).log_sd == pytest.approx(summary(*sets).log_sd, rel=1e-12)


def test_of_an_exercise_that_only_hurt_its_worst_pain_is_kept_and_nothing_else():
    warm_ups = [LiftSet(60, 5, kind="warm_up", pain=3), LiftSet(80, 3, kind="warm_up", pain=7), LiftSet(100, 0)]
    assert summarise_sets(warm_ups) is None
    kept = pain_only(warm_ups)
    assert kept is not None and (kept.pain, kept.hard_sets, kept.one_rep_max_kg(80.0)) == (7.0, 0, 0.0)
    assert pain_only([LiftSet(60, 5, kind="warm_up", pain=0), LiftSet(60, 5)]) is None
