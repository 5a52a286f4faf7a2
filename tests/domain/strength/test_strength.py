"""The strength filter against a reference library, and what must not change its answers."""

import dataclasses
from typing import Any

import numpy as np
import pytest
import simdkalman

from service.domain.records import Floats, Ints, PhaseKind
from service.domain.strength.estimate import StrengthEstimates, estimate_strength
from service.domain.strength.filter import StrengthModel
from service.domain.strength.sessions import LiftSessions


def group(
    athletes: int = 3, lifts: int = 3, days: int = 120, seed: int = 0
) -> tuple[Floats, Floats, Floats, Ints, Ints]:
    """Sessions every few days around a slow change, with phases of 40 days: build, cut, maintain."""
    rng = np.random.default_rng(seed)
    shape = (athletes, lifts, days)
    kg = 100 * np.exp(np.cumsum(rng.normal(0.0003, 0.002, shape), axis=2) + rng.normal(0, 0.03, shape))
    kg[rng.random(shape) > 0.3] = np.nan
    seen = np.isfinite(kg)
    sd = np.where(seen, 0.02, np.nan)
    exposure = np.where(seen, rng.uniform(0.1, 0.3, shape), np.nan)
    kinds = np.array([PhaseKind.BUILD, PhaseKind.CUT, PhaseKind.MAINTAIN])
    day = np.arange(days)
    phase = np.tile(kinds[(day // 40) % 3], (athletes, 1)).astype(np.int64)
    return kg, sd, exposure, phase, np.tile(day % 40 + 1, (athletes, 1))


def arrays(estimates: object) -> list[Floats]:
    """All arrays of a result, flattened out of its dataclasses."""
    if isinstance(estimates, np.ndarray):
        return [estimates]
    return [a for f in dataclasses.fields(estimates) for a in arrays(getattr(estimates, f.name))]  # type: ignore[arg-type]


def same(a: object, b: object) -> bool:
    """Equal to the last bit, NaN included."""
    return all(np.array_equal(x, y, equal_nan=True) for x, y in zip(arrays(a), arrays(b), strict=True))


def plain_model() -> StrengthModel:
    """No personal curve, no day form of its own, no doubt, one rate: the textbook's local linear trend."""
    return StrengthModel(
        form_sd=1e-9,
        lift_form_sd=0.0,
        degrees_of_freedom=1e12,
        rate_build=0.0,
        rate_cut=0.0,
        rate_memory_at_switch=float(np.exp(-1 / 60)),
        rate_correlation=0.0,
        curve_sd=1e-9,
        offset_sd=0.0,
    )


@pytest.mark.parametrize("revised", [False, True])
def test_equals_a_reference_kalman_library(revised: bool) -> None:
    """simdkalman 1.0.4, an independent implementation: filtered and smoothed levels of the plain model agree."""
    model = plain_model()
    kg, sd, exposure, phase, phase_day = group(athletes=2, lifts=1)
    kg[:, :, 0], sd[:, :, 0], exposure[:, :, 0] = 100.0, 0.02, 0.2
    memory = np.exp(-1 / 60)
    reference = simdkalman.KalmanFilter(
        state_transition=np.array([[1, 1], [0, memory]]),
        process_noise=np.diag([model.level_sd**2, model.rate_sd**2 * (1 - memory**2)]),
        observation_model=np.array([[1, 0]]),
        observation_noise=0.02**2,
    )
    first = np.log(kg[:, 0, 0])
    start = np.stack([first, np.zeros(2)], axis=1)[:, :, None]
    result = reference.compute(
        np.log(kg[:, 0]),
        0,
        filtered=True,
        smoothed=True,
        initial_value=start,
        initial_covariance=np.diag([1.0, model.rate_sd**2]),
    )
    expected = (result.smoothed if revised else result.filtered).states
    ours = estimate_strength(LiftSessions(kg, sd, exposure, phase, phase_day), revised=revised, model=model)
    maximum = ours.lifts.one_rep_max_kg
    assert np.log(maximum.mean[:, 0]) == pytest.approx(expected.mean[:, :, 0], abs=1e-8)
    assert (maximum.sd / maximum.mean)[:, 0] == pytest.approx(np.sqrt(expected.cov[:, :, 0, 0]), rel=1e-6)


def test_other_athletes_change_no_bit() -> None:
    sessions = LiftSessions(*group(athletes=7))
    whole = estimate_strength(sessions)
    for athlete in (0, 3, 6):
        alone = estimate_strength(sessions.of(slice(athlete, athlete + 1)))
        parts = zip(arrays(whole), arrays(alone), strict=True)
        assert all(np.array_equal(w[athlete : athlete + 1], a, equal_nan=True) for w, a in parts)


def test_a_large_batch_is_worked_on_in_parts_without_changing_a_bit() -> None:
    sessions = LiftSessions(*group(athletes=5, days=40))
    many, few = estimate_strength(sessions.of(np.tile(np.arange(5), 300))), estimate_strength(sessions)
    assert all(np.array_equal(m[-5:], f, equal_nan=True) for m, f in zip(arrays(many), arrays(few), strict=True))


@pytest.mark.parametrize("revised", [False, True])
def test_empty_days_before_and_after_and_untrained_lifts_change_no_bit(revised: bool) -> None:
    kg, sd, exposure, phase, phase_day = group(days=90)
    kg[:, :, :10] = np.nan

    def run(*logged: Any) -> StrengthEstimates:
        return estimate_strength(LiftSessions(*logged), revised=revised)

    plain = run(kg, sd, exposure, phase, phase_day)
    short = run(*(np.ascontiguousarray(a[..., 10:]) for a in (kg, sd, exposure, phase, phase_day)))
    assert all(
        np.array_equal(p[..., 10:], s, equal_nan=True) for p, s in zip(arrays(plain), arrays(short), strict=True)
    )
    blank = [np.concatenate([a, np.full_like(a[:, :1], np.nan)], axis=1) for a in (kg, sd, exposure)]
    wider = run(*blank, phase, phase_day)
    assert same(wider.pooled, plain.pooled)
    assert np.array_equal(wider.lifts.probability_lost[:, :-1], plain.lifts.probability_lost, equal_nan=True)
    longer = [np.concatenate([a, np.full_like(a[..., :5], np.nan)], axis=-1) for a in (kg, sd, exposure)]
    calendar = [np.concatenate([a, a[:, -5:]], axis=1) for a in (phase, phase_day)]
    after = run(*longer, *calendar)
    cut_short = zip(arrays(after), arrays(plain), strict=True)
    assert all(np.array_equal(a[..., :-5], p, equal_nan=True) for a, p in cut_short)


def test_what_is_known_on_a_day_uses_only_the_days_up_to_it() -> None:
    kg, sd, exposure, phase, phase_day = group()
    before = estimate_strength(LiftSessions(kg, sd, exposure, phase, phase_day))
    changed = kg.copy()
    changed[..., 61:] *= 0.8
    after = estimate_strength(LiftSessions(changed, sd, exposure, phase, phase_day))
    assert all(
        np.array_equal(a[..., :61], b[..., :61], equal_nan=True)
        for a, b in zip(arrays(after), arrays(before), strict=True)
    )


def test_the_last_days_alone_are_the_last_days_of_all() -> None:
    sessions = LiftSessions(*group())
    whole, last = estimate_strength(sessions), estimate_strength(sessions, last=3)
    pairs = zip(arrays(whole), arrays(last), strict=True)
    assert all(np.array_equal(w[..., -3:], f, equal_nan=True) for w, f in pairs)


def test_on_the_last_day_both_bases_agree() -> None:
    sessions = LiftSessions(*group())
    known, revised = estimate_strength(sessions), estimate_strength(sessions, revised=True)
    for k, r in zip(arrays(known), arrays(revised), strict=True):
        assert r[..., -1] == pytest.approx(k[..., -1], rel=1e-9, nan_ok=True)


def test_units_cancel() -> None:
    kg, sd, exposure, phase, phase_day = group()
    in_kg = estimate_strength(LiftSessions(kg, sd, exposure, phase, phase_day))
    in_lb = estimate_strength(LiftSessions(kg / 0.45359237, sd, exposure, phase, phase_day))
    pounds = in_lb.lifts.one_rep_max_kg.mean * 0.45359237
    assert pounds == pytest.approx(in_kg.lifts.one_rep_max_kg.mean, rel=1e-10, nan_ok=True)
    assert in_lb.lifts.probability_lost == pytest.approx(in_kg.lifts.probability_lost, abs=1e-8, nan_ok=True)


def steady(drop_on: int | None = None, drop: float = 0.0, sessions: int = 30) -> StrengthEstimates:
    """One lift at 100 kg every third day, a cut from day 45 on; from a session on, lower by a share."""
    days = 3 * sessions
    kg = np.full((1, 1, days), np.nan)
    kg[0, 0, ::3] = 100.0
    if drop_on is not None:
        kg[0, 0, 3 * drop_on :: 3] *= 1 - drop
    seen = np.isfinite(kg)
    phase = np.where(np.arange(days) < 45, PhaseKind.MAINTAIN, PhaseKind.CUT)[None].astype(np.int64)
    phase_day = np.concatenate([np.arange(1, 46), np.arange(1, days - 44)])[None]
    log_sd, exposure = np.where(seen, 0.022, np.nan), np.where(seen, 0.22, np.nan)
    return estimate_strength(LiftSessions(kg, log_sd, exposure, phase, phase_day))


def test_a_single_session_never_proves_a_loss() -> None:
    """Between-day coefficient of variation 4.2 % (Grgic 2020): the least detectable difference of two single tests is
    2.77 · 4.2 = 11.6 %, so one session 10 % low must not carry a loss of 5 %."""
    lost = steady(drop_on=29, drop=0.10).lifts.probability_lost
    assert 0.0 < lost[0, 0, -1] < 0.5


def test_five_weeks_of_lower_sessions_do() -> None:
    estimates = steady(drop_on=18, drop=0.10)
    assert estimates.lifts.probability_lost[0, 0, -1] > 0.9
    assert estimates.pooled.probability_lost[0, -1] == pytest.approx(estimates.lifts.probability_lost[0, 0, -1])


def test_an_unchanged_lift_is_neither_lost_nor_rising_and_only_a_cut_speaks_of_loss() -> None:
    lifts = steady().lifts
    assert lifts.probability_lost[0, 0, -1] < 0.05
    assert np.isnan(lifts.probability_lost[0, 0, :45]).all()
    assert lifts.one_rep_max_kg.lo[0, 0, -1] < 100 < lifts.one_rep_max_kg.hi[0, 0, -1]


def test_a_rising_lift_rises_and_next_week_is_higher() -> None:
    days = 84
    kg = np.full((1, 1, days), np.nan)
    kg[0, 0, ::3] = 100 * np.exp(0.001 * np.arange(0, days, 3))
    ones = np.where(np.isfinite(kg), 1.0, np.nan)
    phase = np.full((1, days), PhaseKind.BUILD, dtype=np.int64)
    sessions = LiftSessions(kg, 0.022 * ones, 0.22 * ones, phase, np.arange(1, days + 1)[None])
    lifts = estimate_strength(sessions).lifts
    assert lifts.probability_rising[0, 0, -1] > 0.8
    rate = lifts.rate_pct_per_week
    assert 0.3 < rate.mean[0, 0, -1] < 0.7 < rate.hi[0, 0, -1]
    assert lifts.next_week_kg.mean[0, 0, -1] > lifts.one_rep_max_kg.mean[0, 0, -1]


def test_one_lift_tells_about_another() -> None:
    """Carry-over: with the other lifts falling, a lift that is not trained is held less surely, and lower."""
    kg, sd, exposure, phase, phase_day = group(athletes=2, lifts=3, seed=4)
    kg[:, 0, 60:] = np.nan
    kg[1, 1:, 60:] *= np.exp(-0.003 * np.arange(60))
    kg[1, :, :60], sd[1], exposure[1] = kg[0, :, :60], sd[0], exposure[0]
    sd[np.isnan(kg)] = exposure[np.isnan(kg)] = np.nan
    kg[1][np.isnan(sd[1])] = np.nan
    maximum = estimate_strength(LiftSessions(kg, sd, exposure, phase, phase_day)).lifts.one_rep_max_kg
    assert maximum.mean[1, 0, -1] < 0.99 * maximum.mean[0, 0, -1]


def test_shapes_are_checked() -> None:
    kg, sd, exposure, phase, phase_day = group()
    with pytest.raises(ValueError, match="one shape"):
        LiftSessions(kg, sd[:1], exposure, phase, phase_day)
    with pytest.raises(ValueError, match="phases"):
        LiftSessions(kg, sd, exposure, phase[:, :5], phase_day)
    with pytest.raises(ValueError, match="loss_pct"):
        LiftSessions(kg, sd, exposure, phase, phase_day, loss_pct=np.full(2, 5.0))


def test_no_athletes_no_answer() -> None:
    nothing = np.empty((0, 2, 30))
    days = np.zeros((0, 30), dtype=np.int64)
    assert estimate_strength(LiftSessions(nothing, nothing, nothing, days, days)).lifts.one_rep_max_kg.mean.shape == (
        0,
        2,
        30,
    )


def test_only_the_chosen_lifts_are_pooled() -> None:
    logged = group(athletes=2, lifts=3)
    chosen = np.array([[True, False, False], [False, True, True]])[:, :, None] & np.ones(logged[0].shape, np.bool_)
    some = estimate_strength(LiftSessions(*logged, main=chosen))
    every = estimate_strength(LiftSessions(*logged))
    assert same(some.lifts, every.lifts)
    alone = some.lifts.probability_rising[0, 0]
    assert some.pooled.probability_rising[0] == pytest.approx(alone, rel=1e-12, nan_ok=True)
    assert not same(some.pooled, every.pooled)
    with pytest.raises(ValueError, match="main"):
        LiftSessions(*logged, main=chosen[:, :2])


@pytest.mark.parametrize("revised", [False, True])
def test_what_counts_as_lost_may_differ_by_athlete(revised: bool) -> None:
    """Each athlete's margin gives the probabilities that a model with this margin gives for all; nothing else moves."""
    sessions = LiftSessions(*group())
    by_athlete = dataclasses.replace(sessions, loss_pct=np.array([5.0, 3.0, 5.0]))
    own, plain = estimate_strength(by_athlete, revised=revised), estimate_strength(sessions, revised=revised)
    assert same(_of(own, 0), _of(plain, 0))
    of_model = estimate_strength(sessions, revised=revised, model=StrengthModel(loss_pct=3.0))
    assert same(_of(own, 1), _of(of_model, 1))
    cut = np.isfinite(own.pooled.probability_lost[1])
    assert (own.pooled.probability_lost[1, cut] > plain.pooled.probability_lost[1, cut]).all()


def _of(estimates: object, athlete: int) -> object:
    """The results of one athlete."""
    if isinstance(estimates, np.ndarray):
        return estimates[athlete]
    return dataclasses.replace(
        estimates,  # type: ignore[type-var]
        **{f.name: _of(getattr(estimates, f.name), athlete) for f in dataclasses.fields(estimates)},  # type: ignore[arg-type]
    )
