"""From arrays to estimates of bodies and of strength."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from service.application.evidence.lift_estimates import estimate_lifts
from service.application.evidence.roster import Roster
from service.domain.estimation.estimate import estimate
from service.domain.estimation.results import Estimates
from service.domain.policy import DEFAULT, Policy
from service.domain.records import Bools, Ints
from service.domain.strength.estimate import StrengthEstimates


@dataclass(frozen=True)
class RosterEstimates:
    """Estimates of a roster; the lifts of athlete i are those of `lift_names[i]`, in its order ("" for none).

    Those of bodies are of the days `report` of the log only, all days by default, and those of lifts of every day from
    the first of these on. `main`, of shape (athletes, lifts, days), says which lifts stand for the athlete's strength
    on a day; they are the ones that are pooled.
    """

    body: Estimates
    strength: StrengthEstimates
    lift_names: Sequence[Sequence[str]]
    main: Bools
    report: Ints | None = None

    def column(self, day: int) -> int:
        """Where the estimates of bodies have a day of the log."""
        return day if self.report is None else int(np.searchsorted(self.report, day))


def estimate_roster(
    roster: Roster,
    *,
    policies: Sequence[Policy] | None = None,
    revised: bool = False,
    main_lifts_only: bool = False,
    upper_loss_rate_pct_per_week: float = 1.0,
    on: Collection[date] | None = None,
) -> RosterEstimates:
    """Run the estimators over a roster.

    Parameters
    ----------
    roster : Roster
        What was logged.
    policies : sequence of Policy
        By athlete: what counts as lost strength and as no deficit; the service's own policy when not given.
    revised : bool
        Whether each day may use what was dated after it.
    main_lifts_only : bool
        Leave the other lifts out.
    upper_loss_rate_pct_per_week : float
        What counts as losing too fast, percent of body mass per week.
    on : collection of date
        The days whose estimates are wanted of bodies, by default all of the log; fewer take less time.
    """
    report = None if on is None else np.array(sorted({roster.day_seen(day) for day in on}), dtype=np.int64)
    policies = [DEFAULT] * len(roster.athletes) if policies is None else policies
    body = estimate(
        roster.who,
        roster.log,
        upper_loss_rate_pct_per_week=upper_loss_rate_pct_per_week,
        no_deficit_pct=np.array([policy.no_deficit_pct for policy in policies], dtype=np.float64),
        revised=revised,
        report=report,
    )
    strength = estimate_lifts(
        roster,
        body.average_mass_by_day_kg,
        np.array([policy.strength_loss_pct for policy in policies], dtype=np.float64),
        revised=revised,
        main_lifts_only=main_lifts_only,
        first_day=0 if report is None else int(report[0]),
    )
    return RosterEstimates(body, strength.estimates, strength.lift_names, strength.main, report)
