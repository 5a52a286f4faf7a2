"""Trend mass, rates of change, maintenance energy and body fat of many athletes from their logs, with intervals.

The model
---------
One causal state-space model per athlete, in daily steps from morning to morning, filtered by an extended Kalman filter;
`revised` adds the smoother. States (`estimation_model` holds spreads and starting values):

| state       | unit      | from one morning to the next |
|-------------|-----------|------------------------------|
| tissue      | kg        | + c·θ·(intake + excess·unlogged − maintenance) + noise |
| maintenance | kcal/d    | + 18 kcal/kg · tissue change + response·reference·Δ(intake, 14 d) + walk (unrest) |
| θ transfer  | 1         | constant: the athlete's own kilograms per kilocalorie against c |
| response    | 1         | constant: share by which maintenance follows a lasting change of intake |
| excess      | 1         | slow walk: how unlogged food differs from logged food |
| water gain  | kg        | slow walk: water and glycogen per unit of relative intake |
| fluid       | kg        | ×0.93 + noise: salt, soreness, creatine, illness |
| gut         | kg        | ×0.55 + noise: gut content and the scale |
| scale       | kg        | constant: offset of another scale |
| week ×2, cycle ×2 | kg  | constant: cosine and sine of the weekly and the menstrual rhythm |

A weigh-in is tissue + water gain·w + fluid + gut + scale + rhythms + noise, where w follows relative intake (half by
energy, half by carbohydrate) with a lag of 1.3 days: so a phase switch moves water at once and tissue slowly.

Energy per kilogram. c = 0.9/(0.88·1.03·ρ): ρ by fat 39.5 and lean 7.6 MJ/kg (Hall 2008, 10.1038/sj.ijo.0803720) at the
lean share of Forbes (10.4/(10.4 + F)), ×0.75 in deficit and ×1.25 in surplus for people who lift (Garthe 2011); 0.9 for
the thermic effect of food, 1.03 for the cost of storing, 0.88 for what logs miss. θ has a spread of 20 %, so that what
nobody knows of partition and reporting is in every interval, and contrasts between phases may narrow it.

Maintenance is the intake that holds tissue mass, on the athlete's own logging scale. Prior: Mifflin–St Jeor × judged
activity × 0.88, 16 % wide; the target of a new phase is a further reading of it, 10–13 % wide and later 1.6 times that.
Its response to intake covers adaptive thermogenesis (0.14; Hall 2011, 10.1016/S0140-6736(11)60812-X) and less activity
in deficit (Racette 2012). Expenditure, on the true scale, divides by a reporting factor that logs cannot show
(0.88 ± 0.12): the distance from the prior is shared between both in proportion to their variances, the rest stays in
the interval.

Food days (`estimation_intake`). Complete: exact within 5 %. Fast: zero. Not logged: the athlete's usual share of the
target, ±18 % a day. Partial: the same, known to exceed the log. Meals without a word: whole or partial, by Bayes.

Unrest. While weigh-ins keep falling on one side of what the log makes expected, maintenance's walk widens (up to 21
times its variance, four times that in a cut whose scale stays up): a new job, or a cut given up without a word.

Doubtful weigh-ins. Student's t weights (4 degrees of freedom); beyond 3.5 kg and 6 standard deviations a weigh-in is
left out, unless rejected ones agree with each other and are no slip of unit or decimal: then another scale is in use,
or, in the first days, the first mass was wrong. A shift of 2 kg and more that persists is followed in a second branch
of the filter and adopted on evidence (`estimation_scale`); the former branch may come back. Smaller shifts of a scale
stay in the trend: they look like water.

Body fat is carried along by the same partition, from the regression on body mass index (Jackson 2002) lowered by
4 points for people who train, and from measurements, three quarters of whose error stays with the person: repeating a
tape does not make it exact, and one reading cannot move the estimate by its full error.

Trend mass is what the mean of the last seven mornings would be without noise; the scale's rate is its change in a week.

Assumed: one logging habit per athlete (its drift is maintenance's drift); no more than one new scale at a time;
activity falls with intake, not with the calendar. Valid for adults of 18–62 years who train.

Tried and rejected, each as one change, on 600 simulated athletes each of two worlds that share no code with this or
each other (`service/demo/world.py`, `tests/simulated/second_world.py`; mean CRPS of logged maintenance, kcal/d; this
model 70.5 and 76.0, harder sets 92.6): no unrest 72.0 and 76.3, and its intervals hold 88 to 90 % instead of 93 %, 81 %
instead of 88 % on the harder sets, and 66 instead of 81 % of the cuts given up are found; no allowance for silent
partial days 74.7, 78.8; a response of maintenance fixed at 0.1 76.7, 80.5; no slow fluid 72.2, 78.0 (trend error 0.02
and 0.03 kg larger); θ known exactly 71.1, 77.0; a phase switch of 4.5 % instead of 2.5 % 70.6, 78.2; Forbes' lean share
unchanged 73.2 and 74.3: the second world's people keep to Forbes more closely. A scale on log odds of 9 and 1.2 kg: the
same, but trend error 0.02 kg larger, water taken for a scale. Plain methods are in tests/simulated/REPORT.md.
"""

from collections.abc import Iterator
from dataclasses import dataclass, fields, replace

import numpy as np

from . import estimation_branch as branch
from . import estimation_filter, estimation_state, kalman, normal
from . import estimation_outputs as outputs
from .estimation_state import FilterState, Step
from .records import Athletes, Bools, DailyLog, Estimate, Floats

CHUNK = 1024  # athletes filtered together: states stay in the processor's cache and memory stays flat
REVISED_CHUNK = 128  # the smoother keeps every day's moments
BLOCK = 1024  # athlete-days whose results are worked out together


@dataclass(frozen=True)
class Estimates:
    """Results by athlete and day; NaN (or False) before an athlete's first weigh-in."""

    trend_mass_kg: Estimate
    rate_pct_per_week: Estimate  # of the scale: tissue and water
    tissue_rate_pct_per_week: Estimate
    maintenance_kcal: Estimate  # logged scale
    expenditure_kcal: Estimate  # true scale
    body_fat_pct: Estimate
    fat_mass_kg: Estimate
    p_loss_too_fast: Floats  # probability that tissue is lost faster than the upper rate
    p_not_in_deficit: Floats  # in a cut: probability that the deficit is too small to count; NaN outside cuts
    mass_outlier: Bools
    new_scale: Bools
    days_used: Floats  # weigh-ins in the estimate so far
    days_imputed: Floats  # days so far whose food was not (wholly) logged
    prior_share: Floats  # share of the starting variance of maintenance that is left
    state: FilterState  # at the end of the last day


def estimate(
    athletes: Athletes,
    log: DailyLog,
    *,
    upper_loss_rate_pct_per_week: float = 1.0,
    no_deficit_pct: float | Floats = 5.0,
    revised: bool = False,
) -> Estimates:
    """Estimate every quantity for every athlete and day of the log.

    Causal by default: a value uses only what is dated up to its day. `revised` uses the whole log for each day; on the
    last day both agree. `upper_loss_rate_pct_per_week` is a positive share of body mass; a deficit below
    `no_deficit_pct` of maintenance, one number or one by athlete, is none. Model, sources and validity: see the module.
    Raises ValueError when shapes disagree.
    """
    return _run(None, athletes, log, upper_loss_rate_pct_per_week, no_deficit_pct, revised)


def resume(
    state: FilterState,
    athletes: Athletes,
    log: DailyLog,
    *,
    upper_loss_rate_pct_per_week: float = 1.0,
    no_deficit_pct: float | Floats = 5.0,
) -> Estimates:
    """Go on from a saved state with the days that followed; bit for bit the causal values of a run over all days.

    `state` is that of an earlier result's last day, `log` begins on the day after. Raises ValueError when shapes
    disagree.
    """
    return _run(state, athletes, log, upper_loss_rate_pct_per_week, no_deficit_pct, False)


def _run(
    before: FilterState | None,
    athletes: Athletes,
    log: DailyLog,
    upper_rate: float,
    no_deficit_pct: float | Floats,
    revised: bool,
) -> Estimates:
    count, days = log.mass_kg.shape
    no_deficit = np.broadcast_to(no_deficit_pct, (count,))
    if athletes.male.shape != (count,) or log.days.shape != (days,):
        raise ValueError(f"a log of shape {log.mass_kg.shape} does not fit {athletes.male.shape[0]} athletes")
    if before is not None and before.started.shape != (count,):
        raise ValueError(f"a state of {before.started.shape[0]} athletes does not fit {count}")
    out: dict[str, Floats] = {}
    states: list[FilterState] = []
    for rows in _chunks(count, REVISED_CHUNK if revised else CHUNK):
        some = Athletes(**{f.name: np.ascontiguousarray(getattr(athletes, f.name)[rows]) for f in fields(Athletes)})
        state = estimation_state.blank(some.male.shape[0]) if before is None else estimation_state.take(before, rows)
        results: list[dict[str, Floats]] = []
        steps: list[Step] = []
        block = max(1, BLOCK // some.male.shape[0])
        for day in estimation_state.days_of(log, rows):
            state, step = estimation_filter.advance(state, some, day)
            steps.append(step)
            if not revised and len(steps) == block:
                results.append(_causal(state, steps, upper_rate, no_deficit[rows]))
                steps = []
        if revised:
            results = [_revised(state, steps, upper_rate, no_deficit[rows])]
        elif steps:
            results.append(_causal(state, steps, upper_rate, no_deficit[rows]))
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
    state, steps = estimation_state.take(estimates.state, slice(None)), []
    for ahead in range(1, days + 1):
        day = estimation_state.empty_day(after + np.timedelta64(ahead, "D"), intake_kcal.shape[0])
        state, step = estimation_filter.advance(state, athletes, replace(day, target_kcal=intake_kcal))
        steps = [step]
    result = {name: value[0] for name, value in _causal(state, steps, 1.0, np.full(intake_kcal.shape, 5.0)).items()}
    mean, sd = result["trend_mass_kg"], result["trend_mass_kg:sd"]
    return Estimate(mean, sd, mean - normal.Z90 * sd, mean + normal.Z90 * sd)


def _chunks(count: int, size: int) -> Iterator[slice]:
    for first in range(0, count, size):
        yield slice(first, min(first + size, count))


def _causal(state: FilterState, steps: list[Step], upper_rate: float, no_deficit: Floats) -> dict[str, Floats]:
    moments = [(step.main.mean, step.main.cov) for step in steps]
    return outputs.of_days(state, steps, moments, upper_rate, no_deficit) | outputs.of_log(steps)


def _revised(state: FilterState, steps: list[Step], upper_rate: float, no_deficit: Floats) -> dict[str, Floats]:
    """Run the smoother back over all days.

    Where a new scale was adopted, the days of its suspicion are those of the branch that won: `other` says where the
    branch that survives was the other one on a day.
    """
    adjoint, information = np.zeros_like(state.mean), np.zeros_like(state.cov)
    fat_adjoint, fat_information = np.zeros_like(state.fat_mean), np.zeros_like(state.fat_cov)
    other = np.zeros_like(state.started)
    results: list[dict[str, Floats]] = []
    for step in reversed(steps):
        main = estimation_filter.chosen_branch(step, other)
        if results:
            branch.carry_back(adjoint, information, main.drift)
        moments = kalman.corrected(main.mean, main.cov, adjoint, information)
        fat_mean, fat_cov = kalman.corrected(step.fat_mean, step.fat_cov, fat_adjoint, fat_information)
        known = replace(step, main=main, fat_mean=fat_mean, fat_cov=fat_cov)
        results.append(outputs.of_days(state, [known], [moments], upper_rate, no_deficit))
        kalman.adjoint_update(fat_adjoint, fat_information, step.fat_update)
        fat_adjoint[0] *= step.fat_ratio
        fat_information[0] *= step.fat_ratio
        fat_information[:, 0] *= step.fat_ratio
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
