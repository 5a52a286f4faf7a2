"""What is known of an athlete's food, nothing or a plan or a log, and what changes in the states when that changes.

Where nothing says what is eaten, the change of tissue is an imbalance of its own: the state of the excess holds it as a
share of maintenance, which stays what the profile says. When something says it again the excess starts anew, and so it
does the other way round. With the first food log comes the presumption that a part of what is eaten is missing from it.
"""

from dataclasses import dataclass, replace

import numpy as np

from service.domain import kalman
from service.domain.estimation import model as m
from service.domain.estimation.model import EXCESS, MAINTENANCE
from service.domain.estimation.prior import Reference
from service.domain.kalman import Moments
from service.domain.records import Bools, Floats, Ints


@dataclass(frozen=True)
class NewExcess:
    """Whose excess starts anew on a day; arrays (athletes,)."""

    begins: Bools  # from today on something says what is eaten
    ends: Bools  # nothing does any more

    def start(self, moments: Moments, who: slice | Ints = slice(None)) -> None:
        """Start the excess of the athletes `who` anew, independent of all else, in place."""
        for starts, mean, sd in ((self.begins, m.EXCESS_MEAN, m.EXCESS_SD), (self.ends, 0.0, m.UNKNOWN_SD)):
            rows = np.flatnonzero(starts[who])
            moments.mean[EXCESS, rows] = mean
            _forget(moments.cov, rows)
            moments.cov[EXCESS, EXCESS, rows] = sd**2

    def carry_back(self, adjoint: Floats, information: Floats) -> None:
        """Adjoint of `start`, in place: what comes after says nothing about the excess before."""
        rows = np.flatnonzero(self.begins | self.ends)
        adjoint[EXCESS, rows] = 0.0
        _forget(information, rows)


def _forget(cov: Floats, rows: Ints) -> None:
    cov[EXCESS, :, rows] = 0.0
    cov[:, EXCESS, rows] = 0.0


def new_excess(unknown: Bools, before: Bools) -> NewExcess | None:
    """Whose excess starts anew: of whom nothing says what is eaten today, and `before`; None: nobody's."""
    return NewExcess(before & ~unknown, unknown & ~before) if (unknown != before).any() else None


def condition_on_presumption(
    moments: Moments, rows: Ints, reference: Reference, explained_kcal: Floats
) -> kalman.Update:
    """Replace the prior of maintenance by that of somebody who logs food, of the athletes `rows`, in place.

    N(E, v₀) becomes N(r·E, v₁), r the usual share that is logged, by a reading of maintenance that makes the
    difference: noise v = 1/(1/v₁ − 1/v₀), value v·(r·E/v₁ − E/v₀), with what mass and intake explain since. All
    arguments are of all athletes of the batch but `moments`, which are those of `rows`; returns the update of these.
    """
    true_kcal, spread = np.exp(reference.log_maintenance[rows]), reference.expenditure_sd[rows]
    logged_kcal = true_kcal * (m.REPORTING_MEAN / m.REPORTING_UNLOGGED_MEAN)
    before = true_kcal**2 * (spread**2 + m.REPORTING_UNLOGGED_SD**2)
    after = logged_kcal**2 * (spread**2 + m.REPORTING_SD**2)
    noise = 1.0 / (1.0 / after - 1.0 / before)
    value = noise * (logged_kcal / after - true_kcal / before) + explained_kcal[rows]
    return kalman.update(moments.mean, moments.cov, {MAINTENANCE: 1.0}, value, noise)


def on_logging_scale(reference: Reference, rows: Ints, scale: Floats) -> Reference:
    """The reference when the athletes `rows` log food for the first time, which changes maintenance by `scale`."""
    everybody = np.ones_like(reference.intake_kcal)
    scales, share = everybody.copy(), everybody.copy()
    scales[rows], share[rows] = scale, m.REPORTING_MEAN / m.REPORTING_UNLOGGED_MEAN
    logs = share != 1.0
    relative_sd = np.sqrt(reference.expenditure_sd**2 + m.REPORTING_SD**2)
    log_maintenance = reference.log_maintenance + np.log(share)
    return replace(
        reference,
        intake_kcal=reference.intake_kcal * scales,
        transfer_kg_per_kcal=reference.transfer_kg_per_kcal / scales,
        log_maintenance=log_maintenance,
        maintenance_sd_kcal=np.where(logs, relative_sd * np.exp(log_maintenance), reference.maintenance_sd_kcal),
        reporting=np.where(logs, m.REPORTING_MEAN, reference.reporting),
        reporting_sd=np.where(logs, m.REPORTING_SD, reference.reporting_sd),
    )
