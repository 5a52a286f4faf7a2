"""Trend mass, rate of change, maintenance energy and body fat of many athletes from their logs, with intervals.

The model's full description follows with its proof; `estimation_model` holds states and spreads.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np

from . import estimation_branch as branch
from . import estimation_filter, estimation_state, kalman, normal
from . import estimation_outputs as outputs
from .estimation_state import FilterState, Step
from .records import Athletes, Bools, DailyLog, Estimate, Floats, FoodState

CHUNK = 1024  # athletes filtered together: states stay in the processor's cache and memory stays flat
BLOCK = 1024  # athlete-days whose results are worked out together


@dataclass(frozen=True)
class Estimates:
    """Results by athlete and day; NaN (or False) before an athlete's first logged mass or intake."""

    trend_mass_kg: Estimate
    rate_pct_per_week: Estimate  # of the scale: tissue and water
    tissue_rate_pct_per_week: Estimate
    maintenance_kcal: Estimate  # logged scale
    expenditure_kcal: Estimate  # true scale
    body_fat_pct: Estimate
    fat_mass_kg: Estimate
    p_loss_too_fast: Floats  # probability that tissue is lost faster than the upper rate
    p_not_in_deficit: Floats  # in a cut: probability that the deficit is under 5 % of maintenance; NaN outside cuts
    mass_outlier: Bools
    new_scale: Bools
    days_used: Floats  # weigh-ins in the estimate so far
    days_imputed: Floats  # days so far whose food was not (wholly) logged
    prior_share: Floats  # share of the starting variance of maintenance that is left
    state: FilterState  # at the end of the last day


def estimate(
    athletes: Athletes, log: DailyLog, *, upper_loss_rate_pct_per_week: float = 1.0, revised: bool = False
) -> Estimates:
    """Estimate every quantity for every athlete and day of the log.

    Causal by default: a value uses only what is dated up to its day. `revised` uses the whole log for each day; on the
    last day both agree. `upper_loss_rate_pct_per_week` is a positive share of body mass. Model, sources and validity:
    see the module. Raises ValueError when shapes disagree.
    """
    return _run(None, athletes, log, upper_loss_rate_pct_per_week, revised)


def resume(
    state: FilterState, athletes: Athletes, log: DailyLog, *, upper_loss_rate_pct_per_week: float = 1.0
) -> Estimates:
    """Go on from a saved state with the days that followed; bit for bit the causal values of a run over all days.

    `state` is that of an earlier result's last day, `log` begins on the day after. Raises ValueError when shapes
    disagree.
    """
    return _run(state, athletes, log, upper_loss_rate_pct_per_week, False)


def _run(before: FilterState | None, athletes: Athletes, log: DailyLog, upper_rate: float, revised: bool) -> Estimates:
    count, days = log.mass_kg.shape
    if athletes.male.shape != (count,) or log.days.shape != (days,):
        raise ValueError(f"a log of shape {log.mass_kg.shape} does not fit {athletes.male.shape[0]} athletes")
    if before is not None and before.started.shape != (count,):
        raise ValueError(f"a state of {before.started.shape[0]} athletes does not fit {count}")
    out: dict[str, Floats] = {}
    states: list[FilterState] = []
    for rows in _chunks(count):
        some = Athletes(**{f.name: np.ascontiguousarray(getattr(athletes, f.name)[rows]) for f in fields(Athletes)})
        state = estimation_state.blank(some.male.shape[0]) if before is None else estimation_state.take(before, rows)
        results: list[dict[str, Floats]] = []
        steps: list[Step] = []
        block = max(1, BLOCK // some.male.shape[0])
        for day in estimation_state.days_of(log, rows):
            state, step = estimation_filter.advance(state, some, day)
            steps.append(step)
            if not revised and len(steps) == block:
                results.append(_causal(state, steps, upper_rate))
                steps = []
        if revised:
            results = [_revised(state, steps, upper_rate)]
        elif steps:
            results.append(_causal(state, steps, upper_rate))
        for name in results[0]:
            if name not in out:
                out[name] = np.empty((count, days))
            out[name][rows] = np.concatenate([result[name] for result in results]).T
        states.append(state)
    return _assemble(out, estimation_state.join(states))


def predict_mass(
    athletes: Athletes, estimates: Estimates, after: np.datetime64, intake_kcal: Floats, days: int = 7
) -> Estimate:
    """Predict trend mass in kg, shape (athletes,), `days` days after the last day of the estimates, `after`.

    `intake_kcal` (athletes,) is the planned intake on the logging scale; the usual deviation from plans is in the
    interval. NaN where nothing was logged yet.
    """
    count = intake_kcal.shape[0]
    unknown = np.full(count, np.nan)
    state, steps = estimates.state, []
    for ahead in range(1, days + 1):
        day = estimation_state.Day(
            date=after + np.timedelta64(ahead, "D"),
            mass_kg=unknown,
            intake_kcal=unknown,
            carbohydrate_g=unknown,
            food_state=np.full(count, int(FoodState.NOT_LOGGED)),
            target_kcal=intake_kcal,
            phase=np.zeros(count, dtype=np.int64),
            phase_day=np.zeros(count, dtype=np.int64),
            menstruation_started=np.zeros(count, dtype=np.bool_),
            body_fat_pct=unknown,
            body_fat_se_pct=unknown,
        )
        state, step = estimation_filter.advance(state, athletes, day)
        steps = [step]
    result = {name: value[0] for name, value in _causal(state, steps, 1.0).items()}
    mean, sd = result["trend_mass_kg"], result["trend_mass_kg:sd"]
    return Estimate(mean, sd, mean - normal.Z90 * sd, mean + normal.Z90 * sd)


def _chunks(count: int) -> Iterator[slice]:
    for first in range(0, count, CHUNK):
        yield slice(first, min(first + CHUNK, count))


def _causal(state: FilterState, steps: list[Step], upper_rate: float) -> dict[str, Floats]:
    moments = [(step.main.mean, step.main.cov) for step in steps]
    return outputs.of_days(state, steps, moments, upper_rate) | outputs.of_log(steps)


def _revised(state: FilterState, steps: list[Step], upper_rate: float) -> dict[str, Floats]:
    """Run the smoother back over all days.

    Where a new scale was adopted, the days of its suspicion are those of the branch that won: `other` says where the
    branch that survives was the other one on a day.
    """
    adjoint, information = np.zeros_like(state.mean), np.zeros_like(state.cov)
    other = np.zeros_like(state.started)
    results: list[dict[str, Floats]] = []
    for step in reversed(steps):
        main = estimation_filter.chosen_branch(step, other)
        if results:
            branch.carry_back(adjoint, information, main.drift)
        moments = kalman.corrected(main.mean, main.cov, adjoint, information)
        results.append(outputs.of_days(state, [replace(step, main=main)], [moments], upper_rate))
        for done in reversed(main.updates):
            kalman.adjoint_update(adjoint, information, done)
        other = (other ^ step.scale_adopted) & ~step.scale_begun
    smooth = {name: np.concatenate([result[name] for result in reversed(results)]) for name in results[0]}
    return smooth | outputs.of_log(steps)


def _assemble(out: dict[str, Floats], state: FilterState) -> Estimates:
    made: dict[str, Estimate] = {}
    for name in outputs.QUANTITIES:
        mean, sd = out[name], out[name + ":sd"]
        low = out.get(name + ":lo", mean - normal.Z90 * sd)
        high = out.get(name + ":hi", mean + normal.Z90 * sd)
        if name in ("body_fat_pct", "fat_mass_kg"):
            low = np.maximum(low, 0.0)
        made[name] = Estimate(mean, sd, low, high)
    return Estimates(
        **made,
        p_loss_too_fast=out["p_loss_too_fast"],
        p_not_in_deficit=out["p_not_in_deficit"],
        mass_outlier=out["mass_outlier"] == 1.0,
        new_scale=out["new_scale"] == 1.0,
        days_used=out["days_used"],
        days_imputed=out["days_imputed"],
        prior_share=out["prior_share"],
        state=state,
    )
