"""What an athlete can lift, day by day, from noisy sessions: estimates with intervals, losses and gains with odds.

A session is a measurement of the log maximum on a day,

    log 1RM_session = level − deviation · g + form + error,    g = 1 − load / 1RM,

where g, how far the session's maximum rests on the repetition curve, is taken from the load and the *predicted*
maximum: reading it off the session's own repetitions would let a good day pass for a flat curve. The level on the eve
of a cut stays in the state, so that later sessions also correct what was known of the start, and the personal curve
cancels out of the change. Level and rate follow a local linear trend with a fading rate (Harvey 1989, Forecasting,
structural time series models and the Kalman filter, 2.3).

`estimate_strength` uses for each day what was dated up to it, or all sessions when asked to revise.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from service.domain.normal import Z90, tail
from service.domain.records import Bools, Estimate, Floats, Ints
from service.domain.strength.filter import StrengthModel, StrengthState, filtered, sessions_by_day, smoothed
from service.domain.strength.sessions import LiftSessions

DEFAULT_MODEL = StrengthModel()
CHUNK_ELEMENTS = 200_000  # covariances worked on at once: many athletes per step, few cache misses
SMOOTHED_CHUNK_ELEMENTS = 20_000  # fewer where every day's covariances are kept


@dataclass(frozen=True)
class LiftEstimates:
    """Daily estimates of lifts; arrays of shape (athletes, lifts, days), NaN before a lift's first session.

    `change_pct` and `probability_lost` (by more than the model's loss) are against the eve of the current cut, NaN
    outside cuts; `next_week_kg` is the maximum seven days ahead.
    """

    one_rep_max_kg: Estimate
    rate_pct_per_week: Estimate
    change_pct: Estimate
    next_week_kg: Estimate
    probability_lost: Floats
    probability_rising: Floats


@dataclass(frozen=True)
class PooledStrength:
    """The mean of an athlete's lifts taken together; arrays of shape (athletes, days), NaN as in `LiftEstimates`."""

    rate_pct_per_week: Estimate
    change_pct: Estimate
    probability_lost: Floats
    probability_rising: Floats


@dataclass(frozen=True)
class StrengthEstimates:
    """Lift by lift, and pooled over each athlete's lifts."""

    lifts: LiftEstimates
    pooled: PooledStrength


def estimate_strength(
    sessions: LiftSessions, *, revised: bool = False, last: int | None = None, model: StrengthModel = DEFAULT_MODEL
) -> StrengthEstimates:
    """Estimate every lift on every day.

    Parameters
    ----------
    sessions : LiftSessions
        What was lifted.
    revised : bool
        Whether each day may use the sessions after it (smoothed), or only those up to it (filtered).
    last : int, optional
        Keep only so many days at the end; all by default.
    model : StrengthModel
        The spreads.

    Returns
    -------
    StrengthEstimates
        Whose days are those of the sessions, or the last of them.
    """
    athletes, lifts, days = sessions.one_rep_max_kg.shape
    first_day = 0 if last is None else max(days - last, 0)
    lift_moments = np.empty((len(_LIFT_MOMENTS), athletes, lifts, days - first_day))
    pooled_moments = np.empty((len(_POOLED_MOMENTS), athletes, days - first_day))
    chunk = max(1, (SMOOTHED_CHUNK_ELEMENTS if revised else CHUNK_ELEMENTS) // (4 * lifts + 1) ** 2)
    for begin in range(0, athletes, chunk):
        rows = slice(begin, begin + chunk)
        for day, of_lifts, pooled in _moments_by_day(sessions.of(rows), revised, first_day, model):
            lift_moments[:, rows, :, day - first_day] = of_lifts.transpose(0, 2, 1)
            pooled_moments[:, rows, day - first_day] = pooled
    loss_pct = np.full(athletes, model.loss_pct) if sessions.loss_pct is None else sessions.loss_pct
    log_loss = np.log1p(-loss_pct / 100.0)
    return StrengthEstimates(
        _lift_estimates(lift_moments, model, log_loss[:, None, None]), _pooled(pooled_moments, log_loss[:, None])
    )


_LIFT_MOMENTS = ("level", "level_var", "rate", "rate_var", "level_rate_cov", "change", "change_var")
_POOLED_MOMENTS = ("rate", "rate_var", "change", "change_var")


def _moments_by_day(
    sessions: LiftSessions, revised: bool, first_day: int, model: StrengthModel
) -> Iterator[tuple[int, Floats, Floats]]:
    """Day, _LIFT_MOMENTS (…, lifts, athletes) and _POOLED_MOMENTS (…, athletes), from `first_day` on, in any order."""
    by_day = sessions_by_day(sessions, model)
    started = np.logical_or.accumulate(by_day.lift_begins, axis=0)
    everything = np.broadcast_to(np.True_, sessions.one_rep_max_kg.shape)
    main = everything if sessions.main is None else sessions.main
    for day, state in smoothed(by_day, model) if revised else filtered(by_day, model):
        if day >= first_day:
            change_cov, in_cut, pooled = state.change_cov(), by_day.in_cut[day], started[day] & main[:, :, day].T
            yield (
                day,
                _lift_moments(state, change_cov, started[day], in_cut),
                _pooled_moments(state, change_cov, pooled, in_cut),
            )


def _lift_moments(state: StrengthState, change_cov: Floats, started: Bools, in_cut: Bools) -> Floats:
    """_LIFT_MOMENTS of one day, (…, lifts, athletes); means are NaN before a first session, of changes outside cuts."""
    mean, cov = state.mean, state.cov
    lift = np.arange(state.lifts)
    level, rate, eve = lift, lift + state.rate.start, lift + state.eve.start
    live = np.where(started, 1.0, np.nan)
    live_in_cut = np.where(started & in_cut, 1.0, np.nan)
    return np.stack(
        (
            mean[level] * live,
            cov[level, level],
            mean[rate] * live,
            cov[rate, rate],
            cov[level, rate],
            (mean[level] - mean[eve]) * live_in_cut,
            change_cov[lift, lift],
        )
    )


def _pooled_moments(state: StrengthState, change_cov: Floats, pooled: Bools, in_cut: Bools) -> Floats:
    """_POOLED_MOMENTS of one day, (…, athletes), of the lifts `pooled` (lifts, athletes); NaN where there is none."""
    count = pooled.sum(axis=0)
    live = np.where(count > 0, 1.0, np.nan)
    return np.stack(
        (
            _mean_over(state.mean[state.rate], pooled, count) * live,
            _variance_over(state.cov[state.rate, state.rate], pooled, count),
            _mean_over(state.mean[state.level] - state.mean[state.eve], pooled, count) * np.where(in_cut, live, np.nan),
            _variance_over(change_cov, pooled, count),
        )
    )


def _mean_over(values: Floats, pooled: Bools, count: Ints) -> Floats:
    """Mean of values (lifts, athletes) over the pooled lifts, added lift by lift: (athletes,)."""
    total = np.zeros(values.shape[1])
    for value, use in zip(values, pooled, strict=True):
        total += np.where(use, value, 0.0)
    average: Floats = total / np.maximum(count, 1)
    return average


def _variance_over(cov: Floats, pooled: Bools, count: Ints) -> Floats:
    """Variance of that mean, from covariances (lifts, lifts, athletes)."""
    total = np.zeros(cov.shape[2])
    for i in range(cov.shape[0]):
        for j in range(cov.shape[1]):
            total += np.where(pooled[i] & pooled[j], cov[i, j], 0.0)
    average: Floats = total / np.maximum(count, 1) ** 2
    return average


def _lift_estimates(moments: Floats, model: StrengthModel, log_loss: Floats) -> LiftEstimates:
    level, level_var, rate, rate_var, level_rate_cov, change, change_var = moments
    level_var = level_var + model.offset_sd**2
    ahead = level + 7.0 * rate
    ahead_var = level_var + 14.0 * level_rate_cov + 49.0 * rate_var + 7.0 * model.level_sd**2
    return LiftEstimates(
        one_rep_max_kg=_kilograms(level, level_var),
        rate_pct_per_week=_percent(7.0 * rate, 49.0 * rate_var),
        change_pct=_percent(change, change_var),
        next_week_kg=_kilograms(ahead, ahead_var),
        probability_lost=_below(change, change_var, log_loss),
        probability_rising=_below(-rate, rate_var, 0.0),
    )


def _pooled(moments: Floats, log_loss: Floats) -> PooledStrength:
    rate, rate_var, change, change_var = moments
    return PooledStrength(
        rate_pct_per_week=_percent(7.0 * rate, 49.0 * rate_var),
        change_pct=_percent(change, change_var),
        probability_lost=_below(change, change_var, log_loss),
        probability_rising=_below(-rate, rate_var, 0.0),
    )


def _kilograms(mean: Floats, variance: Floats) -> Estimate:
    """Median, sd and 90 % interval in kilograms of a maximum whose logarithm has these moments."""
    middle, sd = np.exp(mean), np.sqrt(variance)
    return Estimate(middle, middle * sd, np.exp(mean - Z90 * sd), np.exp(mean + Z90 * sd))


def _percent(mean: Floats, variance: Floats) -> Estimate:
    """The same of a change of the logarithm, in per cent."""
    whole = _kilograms(mean, np.maximum(variance, 0.0))
    return Estimate(100.0 * (whole.mean - 1.0), 100.0 * whole.sd, 100.0 * (whole.lo - 1.0), 100.0 * (whole.hi - 1.0))


def _below(mean: Floats, variance: Floats, bound: float | Floats) -> Floats:
    """Probability that a normal variable lies below a bound; NaN stays NaN."""
    return np.asarray(tail((mean - bound) / np.sqrt(np.maximum(variance, 1e-14))), dtype=np.float64)
