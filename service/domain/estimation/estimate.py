"""Average mass, rates of change, maintenance energy and body fat of many athletes from their logs, with intervals.

The public functions of the room; the package describes the model.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from service.domain.estimation import outputs
from service.domain.estimation.day import Day, days_of, empty_day
from service.domain.estimation.filter import Filter
from service.domain.estimation.initial import initial
from service.domain.estimation.model import MAINTENANCE
from service.domain.estimation.results import Estimates, Results
from service.domain.estimation.smoother import smooth, trace
from service.domain.estimation.state import FilterState, Posterior
from service.domain.records import Athletes, DailyLog, Estimate, Floats, Ints, mapped, put, take

CHUNK = 5120  # athletes filtered together: wide enough that a step costs more than its call; memory stays flat
REVISED_CHUNK = 128  # the smoother keeps every day's moments
SORTED_DAYS = 28  # logs at least so long are filtered men first
BLOCK = 1024  # athlete-days whose results are worked out together, where there are few athletes


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
    days take less time and memory, and are the same to the bit. Model, sources and validity: see the package. Raises
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
    results = Results(days, report, count, upper_rate, np.broadcast_to(no_deficit_pct, (count,)))
    after = initial(FilterState, count)
    for rows in _batches(athletes, days, REVISED_CHUNK if revised else CHUNK):
        some = take(athletes, rows)
        state = initial(FilterState, some.male.size) if before is None else take(before, rows)
        running = Filter(state, some, traced=revised)
        (_revised if revised else _causal)(running, days_of(log, rows), rows, results)
        put(after, rows, running.saved())
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


def _causal(running: Filter, days: Iterator[Day], rows: slice | Ints, results: Results) -> None:
    """Run the filter over the days; where the batch is small, results of several days are worked out together."""
    together = max(1, BLOCK // running.count)
    block: dict[int, Posterior] = {}
    for t, day in enumerate(days):
        filtered = running.measurement_update(day)
        if results.wants(t):
            block[t] = mapped(np.copy, filtered.posterior) if together > 1 else filtered.posterior
        else:
            results.add_average_mass(rows, t, filtered.posterior)
        if len(block) == together:
            results.add(rows, list(block), list(block.values()))
            block = {}
        running.time_update(filtered)
    if block:
        results.add(rows, list(block), list(block.values()))


def _revised(running: Filter, days: Iterator[Day], rows: slice | Ints, results: Results) -> None:
    """Run the filter over the days and the smoother back over them."""
    for t, posterior in smooth(trace(running, days), results.wants):
        if results.wants(t):
            results.add(rows, [t], [posterior])
        else:
            results.add_average_mass(rows, t, posterior)


def predict_mass(athletes: Athletes, estimates: Estimates, after: np.datetime64, intake_kcal: Floats) -> Estimate:
    """Predict average mass in kg, shape (athletes,), some days after the last day of the estimates, `after`.

    `intake_kcal` (athletes, days) is the planned intake of those days on the logging scale, NaN for maintenance; the
    usual deviation from plans is in the interval. A plan says nothing new about maintenance. NaN where nothing was
    logged yet.
    """
    state = take(estimates.state, slice(None))
    in_force = np.where(np.isnan(state.food.target_kcal), state.moments.mean[MAINTENANCE], state.food.target_kcal)
    state.food = replace(state.food, target_kcal=in_force)
    running = Filter(state, athletes)
    count, days = intake_kcal.shape
    for ahead in range(days):
        day = empty_day(after + np.timedelta64(ahead + 1, "D"), count)
        filtered = running.measurement_update(replace(day, target_kcal=np.ascontiguousarray(intake_kcal[:, ahead])))
        if ahead < days - 1:
            running.time_update(filtered)
    return Estimate(*outputs.average_mass(filtered.posterior))
