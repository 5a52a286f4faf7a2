"""What would narrow an athlete's maintenance energy most: more weigh-ins, more complete food days, or only both?"""

from dataclasses import dataclass, replace

import numpy as np

from service.domain import kalman
from service.domain.estimation.day import empty_day
from service.domain.estimation.filter import Filter
from service.domain.estimation.measurement_update import weigh_in_row
from service.domain.estimation.model import MAINTENANCE, STATES
from service.domain.estimation.noise_adaptation import OneSidedness
from service.domain.estimation.state import FilterState
from service.domain.records import Athletes, Bools, Floats, FoodState, take


@dataclass(frozen=True)
class Outlook:
    """Standard deviation of logged-scale maintenance, kcal/d, after some more days; arrays (athletes,)."""

    as_so_far: Floats  # weighing and logging as often as until now
    weighing_daily: Floats
    logging_daily: Floats  # every food day complete
    both_daily: Floats


def outlook(athletes: Athletes, state: FilterState, after: np.datetime64, days: int = 14) -> Outlook:
    """How sure maintenance would be `days` days after `after`, the day of `state`, if the athlete logged more.

    Nothing surprising is assumed to happen: weigh-ins as expected, food as usual; the numbers are the filter's own. NaN
    where nothing was logged yet.
    """
    so_far = np.maximum(state.days, 1.0)
    weighs = np.minimum(state.weigh_ins.accepted_days / so_far, 1.0)
    logs = np.minimum(state.food.whole_days / so_far, 1.0)
    always = np.ones_like(weighs)
    return Outlook(
        _spread_after(athletes, state, after, days, weighs, logs),
        _spread_after(athletes, state, after, days, always, logs),
        _spread_after(athletes, state, after, days, weighs, always),
        _spread_after(athletes, state, after, days, always, always),
    )


def _spread_after(
    athletes: Athletes, state: FilterState, after: np.datetime64, days: int, weighs: Floats, logs: Floats
) -> Floats:
    state = take(state, slice(None))
    state.one_sidedness = OneSidedness(np.zeros_like(state.days), state.one_sidedness.variance)
    running = Filter(state, athletes)
    for ahead in range(1, days + 1):
        target = state.food.target_kcal
        plan = np.where(np.isnan(target), state.moments.mean[MAINTENANCE], target)
        logged, date = state.started & _due(logs, ahead), after + np.timedelta64(ahead, "D")
        row = weigh_in_row(date, state.response.water, state.cycle.on(date), STATES)
        day = replace(
            empty_day(date, weighs.shape[0]),
            mass_kg=np.where(state.started & _due(weighs, ahead), kalman.inner(state.moments.mean, row), np.nan),
            target_kcal=target,
            intake_kcal=np.where(logged, state.food.share * plan, np.nan),
            food_state=np.where(logged, int(FoodState.COMPLETE), int(FoodState.NOT_LOGGED)),
        )
        running.time_update(running.measurement_update(day))
    return np.where(state.started, np.sqrt(state.moments.cov[MAINTENANCE, MAINTENANCE]), np.nan)


def _due(frequency: Floats, day: int) -> Bools:
    """Spread events of a frequency per day evenly over days counted from 1."""
    return np.asarray(np.floor(frequency * day + 1e-9) > np.floor(frequency * (day - 1) + 1e-9))
