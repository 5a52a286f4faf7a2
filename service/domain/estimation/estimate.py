"""Average mass, rates of change, maintenance energy and body fat of many athletes from their logs, with intervals.

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

Average mass is what the mean of the last seven mornings would be without noise; the scale's rate is its change in a
week.

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
from typing import Any

import numpy as np

from service.domain import kalman
from service.domain.estimation import hypothesis, outputs
from service.domain.estimation import state as filter_state
from service.domain.estimation.filter import Filter, chosen_branch
from service.domain.estimation.model import MAINTENANCE, STATES
from service.domain.estimation.state import Day, FilterState, Seen, Step
from service.domain.records import Athletes, Bools, DailyLog, Estimate, Floats, Ints

CHUNK = 5120  # athletes filtered together: wide enough that a step costs more than its call; memory stays flat
REVISED_CHUNK = 128  # the smoother keeps every day's moments
SORTED_DAYS = 28  # logs at least so long are filtered men first
BLOCK = 1024  # athlete-days whose results are worked out together, where there are few athletes


@dataclass(frozen=True)
class Estimates:
    """Results by athlete and day; NaN (or False) before an athlete's first weigh-in.

    Arrays (athletes, days), of the days that were asked for.
    """

    average_mass_kg: Estimate
    rate_pct_per_week: Estimate  # of the scale: tissue and water
    tissue_rate_pct_per_week: Estimate
    maintenance_kcal: Estimate  # logged scale
    energy_requirement_kcal: Estimate  # true scale
    body_fat_pct: Estimate
    fat_mass_kg: Estimate
    p_loss_too_fast: Floats  # probability that tissue is lost faster than the upper rate
    p_not_in_deficit: Floats  # in a cut: probability that the deficit is under 5 % of maintenance; NaN outside cuts
    mass_outlier: Bools
    new_scale: Bools
    days_used: Floats  # weigh-ins in the estimate so far
    days_imputed: Floats  # days so far whose food was not (wholly) logged
    prior_share: Floats  # share of the starting variance of maintenance that is left
    average_mass_by_day_kg: Floats  # means of average mass of all days of the log, whatever days were asked for
    state: FilterState  # at the end of the last day


def estimate(
    athletes: Athletes,
    log: DailyLog,
    *,
    upper_loss_rate_pct_per_week: float = 1.0,
    no_deficit_pct: float | Floats = 5.0,
    revised: bool = False,
    report: Ints | None = None,
) -> Estimates:
    """Estimate every quantity for every athlete and day of the log.

    Causal by default: a value uses only what is dated up to its day. `revised` uses the whole log for each day; on the
    last day both agree. `upper_loss_rate_pct_per_week` is a positive share of body mass; a deficit below
    `no_deficit_pct` of maintenance, one number or one by athlete, is none. `report` are indexes of the days whose
    results are wanted, ascending, by default all: the filter goes through the whole log in any case, but results of few
    days take less time and memory, and are the same to the bit. Model, sources and validity: see the module. Raises
    ValueError when shapes disagree or `report` is not ascending within the log.
    """
    return _run(None, athletes, log, upper_loss_rate_pct_per_week, no_deficit_pct, revised, report)


def resume(
    state: FilterState,
    athletes: Athletes,
    log: DailyLog,
    *,
    upper_loss_rate_pct_per_week: float = 1.0,
    no_deficit_pct: float | Floats = 5.0,
    report: Ints | None = None,
) -> Estimates:
    """Go on from a saved state with the days that followed; bit for bit the causal values of a run over all days.

    `state` is that of an earlier result's last day and stays as it is, `log` begins on the day after; `report` as for
    `estimate`. Raises ValueError when shapes disagree or `report` is not ascending within the log.
    """
    return _run(state, athletes, log, upper_loss_rate_pct_per_week, no_deficit_pct, False, report)


def _run(
    before: FilterState | None,
    athletes: Athletes,
    log: DailyLog,
    upper_rate: float,
    no_deficit_pct: float | Floats,
    revised: bool,
    report: Ints | None,
) -> Estimates:
    count, days = log.mass_kg.shape
    if athletes.male.shape != (count,) or log.days.shape != (days,):
        raise ValueError(f"a log of shape {log.mass_kg.shape} does not fit {athletes.male.shape[0]} athletes")
    if before is not None and before.started.shape != (count,):
        raise ValueError(f"a state of {before.started.shape[0]} athletes does not fit {count}")
    report = np.arange(days) if report is None else report
    if report.size and (report[0] < 0 or report[-1] >= days or (np.diff(report) <= 0).any()):
        raise ValueError(f"the days to report must ascend within {days} days")
    results = _Results(days, report, count, upper_rate, np.broadcast_to(no_deficit_pct, (count,)))
    after = filter_state.blank(count)
    for rows in _batches(athletes, days, REVISED_CHUNK if revised else CHUNK):
        some = Athletes(**{f.name: getattr(athletes, f.name)[rows] for f in fields(Athletes)})
        state = filter_state.blank(some.male.size) if before is None else filter_state.take(before, rows)
        running = Filter(state, some, traced=revised)
        (_revised if revised else _causal)(running, filter_state.days_of(log, rows), rows, results)
        filter_state.put(after, rows, running.state())
    return results.estimates(after)


def _batches(athletes: Athletes, days: int, size: int) -> Iterator[slice | Ints]:
    """Who is filtered together; where it pays, men first: a batch of men alone needs no rhythm of the cycle.

    It pays over some weeks; for a night's update athletes are not worth moving about.
    """
    count = athletes.male.size
    order = np.argsort(~athletes.male, kind="stable") if count > size and days >= SORTED_DAYS else None
    for first in range(0, count, size):
        batch = slice(first, first + size)
        yield batch if order is None else order[batch]


class _Results:
    """Results of all athletes, filled batch by batch and day by day; kept by day, as they are made."""

    def __init__(self, days: int, report: Ints, athletes: int, upper_rate: float, no_deficit_pct: Floats) -> None:
        self._report, self._upper_rate, self._no_deficit_pct = report, upper_rate, no_deficit_pct
        self._place = np.full(days, -1)
        self._place[report] = np.arange(report.size)
        self._values: dict[str, Floats] = {name: np.empty((report.size, athletes)) for name in outputs.VALUES}
        self._events: dict[str, Bools] = {name: np.empty((report.size, athletes), np.bool_) for name in outputs.EVENTS}
        all_days = report.size == days
        self._average_mass_kg = self._values["average_mass_kg"] if all_days else np.empty((days, athletes))

    def wants(self, day: int) -> bool:
        """Whether results of a day were asked for; of other days the mean of average mass is enough."""
        return bool(self._place[day] >= 0)

    def add(self, rows: slice | Ints, days: list[int], seen: list[Seen]) -> None:
        """Work out and keep what days that were asked for say about the athletes `rows`."""
        place = self._place[days]
        where = (place, rows) if isinstance(rows, slice) else np.ix_(place, rows)
        values, events = outputs.of_days(seen, self._upper_rate, self._no_deficit_pct[rows])
        for name, value in values.items():
            self._values[name][where] = value
        for name, event in events.items():
            self._events[name][where] = event

    def add_average_mass(self, rows: slice | Ints, day: int, seen: Seen) -> None:
        """Keep the mean of average mass of a day that was not asked for."""
        self._average_mass_kg[day, rows] = outputs.average_mass_mean_kg(seen)

    def estimates(self, state: FilterState) -> Estimates:
        """The whole, by athlete and day."""
        self._average_mass_kg[self._report] = self._values["average_mass_kg"]
        made: dict[str, Any] = {name: value.T for name, value in (self._values | self._events).items()}
        for name in outputs.QUANTITIES:
            bounds = (made.pop(name + end) for end in (":sd", ":lo", ":hi"))
            made[name] = Estimate(made[name], *bounds)
        return Estimates(**made, average_mass_by_day_kg=self._average_mass_kg.T, state=state)


def _causal(running: Filter, days: Iterator[Day], rows: slice | Ints, results: _Results) -> None:
    """Run the filter over the days; where the batch is small, results of several days are worked out together."""
    together = max(1, BLOCK // running.count)
    block: dict[int, Seen] = {}
    for t, day in enumerate(days):
        running.take_in(day)
        if results.wants(t):
            block[t] = running.seen(keep=together > 1)
        else:
            results.add_average_mass(rows, t, running.seen())
        if len(block) == together:
            results.add(rows, list(block), list(block.values()))
            block = {}
        running.sleep()
    if block:
        results.add(rows, list(block), list(block.values()))


def _revised(running: Filter, days: Iterator[Day], rows: slice | Ints, results: _Results) -> None:
    """Run the smoother back over all days.

    Where a new scale was adopted, the days of its suspicion are those of the branch that won: `other` says where the
    branch that survives was the other one on a day.
    """
    steps: list[Step] = []
    count = running.count
    for day in days:
        running.take_in(day)
        steps.append(running.step())
        running.sleep()
    adjoint, information = np.zeros((STATES, count)), np.zeros((STATES, STATES, count))
    fat_adjoint, fat_information = np.zeros((2, count)), np.zeros((2, 2, count))
    other = np.zeros(count, np.bool_)
    for t, step in reversed(list(enumerate(steps))):
        main = chosen_branch(step, other)
        if t < len(steps) - 1:
            hypothesis.carry_back(adjoint, information, main.drift)
        known = replace(step.seen, base=main.drift.base)
        if results.wants(t):
            mean, cov = kalman.corrected(main.mean, main.cov, adjoint, information)
            fat_mean, fat_cov = kalman.corrected(step.seen.fat_mean, step.seen.fat_cov, fat_adjoint, fat_information)
            results.add(rows, [t], [replace(known, mean=mean, cov=cov, fat_mean=fat_mean, fat_cov=fat_cov)])
        else:
            results.add_average_mass(rows, t, replace(known, mean=kalman.corrected_mean(main.mean, main.cov, adjoint)))
        kalman.adjoint_update(fat_adjoint, fat_information, step.fat_update)
        fat_adjoint[0] *= step.fat_ratio
        fat_information[0] *= step.fat_ratio
        fat_information[:, 0] *= step.fat_ratio
        for done in reversed(main.updates):
            kalman.adjoint_update(adjoint, information, done)
        other = (other ^ step.seen.scale_adopted) & ~step.scale_begun


def predict_mass(athletes: Athletes, estimates: Estimates, after: np.datetime64, intake_kcal: Floats) -> Estimate:
    """Predict average mass in kg, shape (athletes,), some days after the last day of the estimates, `after`.

    `intake_kcal` (athletes, days) is the planned intake of those days on the logging scale, NaN for maintenance; the
    usual deviation from plans is in the interval. A plan says nothing new about maintenance. NaN where nothing was
    logged yet.
    """
    state = filter_state.take(estimates.state, slice(None))
    state.last_target = np.where(np.isnan(state.last_target), state.mean[MAINTENANCE], state.last_target)
    running = Filter(state, athletes)
    count, days = intake_kcal.shape
    for ahead in range(days):
        if ahead:
            running.sleep()
        day = filter_state.empty_day(after + np.timedelta64(ahead + 1, "D"), count)
        running.take_in(replace(day, target_kcal=np.ascontiguousarray(intake_kcal[:, ahead])))
    return Estimate(*outputs.average_mass(running.seen()))
