"""The results of a run: every quantity by athlete and day, collected batch by batch."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from service.domain.estimation import outputs
from service.domain.estimation.state import FilterState, Posterior
from service.domain.records import Bools, Estimate, Floats, Ints


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
    suspect_weigh_in: Bools  # left out, or further off than usual
    new_scale: Bools  # another scale is known to be in use from this day
    days_used: Floats  # weigh-ins in the estimate so far
    days_imputed: Floats  # days so far whose food was not (wholly) logged
    prior_share: Floats  # share of the starting variance of maintenance that is left
    average_mass_by_day_kg: Floats  # means of average mass of all days of the log, whatever days were asked for
    state: FilterState  # at the end of the last day


class Results:
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

    def add(self, rows: slice | Ints, days: list[int], posteriors: list[Posterior]) -> None:
        """Work out and keep what days that were asked for say about the athletes `rows`."""
        place = self._place[days]
        where = (place, rows) if isinstance(rows, slice) else np.ix_(place, rows)
        values, events = outputs.of_days(posteriors, self._upper_rate, self._no_deficit_pct[rows])
        for name, value in values.items():
            self._values[name][where] = value
        for name, event in events.items():
            self._events[name][where] = event

    def add_average_mass(self, rows: slice | Ints, day: int, posterior: Posterior) -> None:
        """Keep the mean of average mass of a day that was not asked for."""
        self._average_mass_kg[day, rows] = outputs.average_mass_mean_kg(posterior)

    def estimates(self, state: FilterState) -> Estimates:
        """The whole, by athlete and day."""
        self._average_mass_kg[self._report] = self._values["average_mass_kg"]
        by_name: dict[str, Any] = {name: value.T for name, value in (self._values | self._events).items()}
        for name in outputs.QUANTITIES:
            bounds = (by_name.pop(name + end) for end in (":sd", ":lo", ":hi"))
            by_name[name] = Estimate(by_name[name], *bounds)
        return Estimates(**by_name, average_mass_by_day_kg=self._average_mass_kg.T, state=state)
