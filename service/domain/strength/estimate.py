"""What an athlete can lift, day by day, from noisy sessions: estimates with intervals, losses and gains with odds.

A session is a measurement of the log maximum on a day,

    log 1RM_session = level − deviation · g + form + error,    g = 1 − load / 1RM,

where g, how far the session's maximum rests on the repetition curve, is taken from the load and the *predicted*
maximum: reading it off the session's own repetitions would let a good day pass for a flat curve. The level on the eve
of a cut stays in the state, so that later sessions also correct what was known of the start, and the personal curve
cancels out of the change. Level and rate follow a local linear trend with a fading rate (Harvey 1989, Forecasting,
structural time series models and the Kalman filter, 2.3).

`estimate_strength` uses for each day what was dated up to it, `revise_strength` uses all.
"""

from dataclasses import dataclass

import numpy as np

from service.domain.normal import Z90, tail
from service.domain.records import Bools, Estimate, Floats, Ints
from service.domain.strength.filter import StrengthModel, StrengthState, forward, prepare, smoothed

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
    one_rep_max_kg: Floats,
    log_sd: Floats,
    curve_exposure: Floats,
    phase: Ints,
    phase_day: Ints,
    *,
    model: StrengthModel = DEFAULT_MODEL,
    pooled_over: Bools | None = None,
    last: int | None = None,
    loss_pct: Floats | None = None,
) -> StrengthEstimates:
    """Estimate every lift on every day from the sessions up to that day.

    Parameters: `one_rep_max_kg` of the day's session (system mass for body-weight lifts), its `log_sd` and
    `curve_exposure` as `sets.SessionLift` has them, NaN without a session, shape (athletes, lifts, days); `phase`
    (PhaseKind) and `phase_day` (1 on a phase's first day), shape (athletes, days). A lift that was never trained may
    stand as a row of NaN. `pooled_over` (athletes, lifts, days) says which lifts are pooled on which day, all by
    default; `last` keeps only so many days at the end. `loss_pct` (athletes,) is the drop that counts as lost, the
    model's by default. Raises ValueError when shapes differ.
    """
    sessions = (one_rep_max_kg, log_sd, curve_exposure, phase, phase_day)
    return _estimate(*sessions, model, pooled_over, last, loss_pct, revised=False)


def revise_strength(
    one_rep_max_kg: Floats,
    log_sd: Floats,
    curve_exposure: Floats,
    phase: Ints,
    phase_day: Ints,
    *,
    model: StrengthModel = DEFAULT_MODEL,
    pooled_over: Bools | None = None,
    loss_pct: Floats | None = None,
) -> StrengthEstimates:
    """Estimate every lift on every day from all sessions, later ones too; parameters as `estimate_strength`."""
    sessions = (one_rep_max_kg, log_sd, curve_exposure, phase, phase_day)
    return _estimate(*sessions, model, pooled_over, None, loss_pct, revised=True)


def _estimate(
    kg: Floats,
    log_sd: Floats,
    exposure: Floats,
    phase: Ints,
    phase_day: Ints,
    model: StrengthModel,
    pooled_over: Bools | None,
    last: int | None,
    loss_pct: Floats | None,
    revised: bool,
) -> StrengthEstimates:
    if kg.ndim != 3 or any(a.shape != kg.shape for a in (log_sd, exposure)):
        raise ValueError("sessions must have one shape (athletes, lifts, days)")
    athletes, lifts, days = kg.shape
    if phase.shape != (athletes, days) or phase_day.shape != (athletes, days):
        raise ValueError("phases must have the shape (athletes, days)")
    chosen = np.broadcast_to(np.True_, kg.shape) if pooled_over is None else pooled_over
    if chosen.shape != kg.shape:
        raise ValueError("pooled_over must have the shape (athletes, lifts, days)")
    keep = days if last is None else min(last, days)
    moments = np.empty((len(_LIFT_MOMENTS), athletes, lifts, keep))
    pooled = np.empty((len(_POOLED_MOMENTS), athletes, keep))
    chunk = max(1, (SMOOTHED_CHUNK_ELEMENTS if revised else CHUNK_ELEMENTS) // (4 * lifts + 1) ** 2)
    for begin in range(0, athletes, chunk):
        rows = slice(begin, begin + chunk)
        logged = prepare(kg[rows], log_sd[rows], exposure[rows], phase[rows], phase_day[rows], model)
        started = np.logical_or.accumulate(logged.first, axis=0)
        passes = smoothed(logged, model) if revised else ((day, state) for day, state, _ in forward(logged, model))
        for day, state in passes:
            place = day - (days - keep)
            if place >= 0:
                own, together = _moments(state, started[day], logged.in_cut[day], chosen[rows, :, day].T)
                moments[:, rows, :, place] = own.transpose(0, 2, 1)
                pooled[:, rows, place] = together
    lost = np.log1p(-np.broadcast_to(model.loss_pct if loss_pct is None else loss_pct, (athletes,)) / 100.0)
    return StrengthEstimates(_lifts(moments, model, lost[:, None, None]), _pooled(pooled, lost[:, None]))


_LIFT_MOMENTS = ("level", "level_var", "rate", "rate_var", "level_rate_cov", "change", "change_var")
_POOLED_MOMENTS = ("rate", "rate_var", "change", "change_var")


def _moments(state: StrengthState, started: Bools, in_cut: Bools, chosen: Bools) -> tuple[Floats, Floats]:
    """Of one day: _LIFT_MOMENTS (…, lifts, athletes) and _POOLED_MOMENTS (…, athletes)."""
    x, p = state.mean, state.cov
    each = np.arange(state.lifts)
    level, rate, eve = each, each + state.rate.start, each + state.eve.start
    live = np.where(started, 1.0, np.nan)
    cut = np.where(started & in_cut, 1.0, np.nan)
    rate_cov = p[state.rate, state.rate]
    across = p[state.level, state.eve]
    change_cov = p[state.level, state.level] + p[state.eve, state.eve] - across - across.transpose(1, 0, 2)
    change = x[level] - x[eve]
    own = (x[level] * live, p[level, level], x[rate] * live, p[rate, rate], p[level, rate], change * cut)
    pooled = started & chosen
    count = pooled.sum(axis=0)
    with_any = np.where(count > 0, 1.0, np.nan)
    together = (
        _mean_over(x[rate], pooled, count) * with_any,
        _variance_over(rate_cov, pooled, count),
        _mean_over(change, pooled, count) * np.where(in_cut, with_any, np.nan),
        _variance_over(change_cov, pooled, count),
    )
    return np.stack((*own, change_cov[each, each])), np.stack(together)


def _mean_over(values: Floats, started: Bools, count: Ints) -> Floats:
    total = np.zeros(values.shape[1])
    for value, use in zip(values, started, strict=True):
        total += np.where(use, value, 0.0)
    average: Floats = total / np.maximum(count, 1)
    return average


def _variance_over(cov: Floats, started: Bools, count: Ints) -> Floats:
    total = np.zeros(cov.shape[2])
    for i in range(cov.shape[0]):
        for j in range(cov.shape[1]):
            total += np.where(started[i] & started[j], cov[i, j], 0.0)
    average: Floats = total / np.maximum(count, 1) ** 2
    return average


def _lifts(moments: Floats, model: StrengthModel, lost: Floats) -> LiftEstimates:
    level, level_var, rate, rate_var, level_rate_cov, change, change_var = moments
    level_var = level_var + model.offset_sd**2
    ahead = level + 7.0 * rate
    ahead_var = level_var + 14.0 * level_rate_cov + 49.0 * rate_var + 7.0 * model.level_sd**2
    return LiftEstimates(
        one_rep_max_kg=_kilograms(level, level_var),
        rate_pct_per_week=_percent(7.0 * rate, 49.0 * rate_var),
        change_pct=_percent(change, change_var),
        next_week_kg=_kilograms(ahead, ahead_var),
        probability_lost=_below(change, change_var, lost),
        probability_rising=_below(-rate, rate_var, 0.0),
    )


def _pooled(moments: Floats, lost: Floats) -> PooledStrength:
    rate, rate_var, change, change_var = moments
    return PooledStrength(
        rate_pct_per_week=_percent(7.0 * rate, 49.0 * rate_var),
        change_pct=_percent(change, change_var),
        probability_lost=_below(change, change_var, lost),
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
