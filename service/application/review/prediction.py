"""What is predicted for the coming week, when the recommendation is followed."""

from collections.abc import Sequence
from datetime import timedelta

import numpy as np

from service.application.evidence.athlete_evidence import scalar_at
from service.application.evidence.estimates import RosterEstimates
from service.application.evidence.review_documents import Band, Prediction
from service.application.evidence.roster import Roster
from service.application.review.case import Case
from service.domain.estimation.estimate import predict_mass
from service.domain.evidence import Evidence, ScalarEstimate
from service.domain.records import Estimate
from service.domain.rules.arbiter import Decision


def next_week_mass_kg(
    roster: Roster, estimates: RosterEstimates, evidence: Sequence[Evidence], decisions: Sequence[Decision]
) -> Estimate:
    """Average mass of a roster's athletes a week after its last day, arrays (athletes,)."""
    intake_kcal = np.array([planned_intake_kcal(*pair) for pair in zip(evidence, decisions, strict=True)])
    return predict_mass(roster.who, estimates.body, np.datetime64(roster.to), intake_kcal)


def planned_intake_kcal(evidence: Evidence, decision: Decision) -> list[float]:
    """What is to be eaten on each of the next seven days, kcal, when the recommendation is followed; NaN when unknown.

    The present target until the day before the recommended phase begins, its energy from that day on; without a phase
    the recommended energy from the first day on.
    """
    recommended = decision.recommendation
    now, then = (float("nan") if kcal is None else kcal for kcal in (evidence.energy_kcal, recommended.energy_to_kcal))
    wait = (recommended.phase.on - evidence.as_of).days - 1 if recommended.phase is not None else 0
    return [now if day < wait else then for day in range(7)]


def prediction_of(case: Case) -> Prediction:
    """Average mass and main lifts in a week, when the recommendation is followed."""
    next_week_kg = case.estimates.strength.lifts.next_week_kg
    strength = {
        name: shown_band(scalar_at(next_week_kg, (case.index, position, -1), 3), 1)
        for position, name in enumerate(case.estimates.lift_names[case.index])
    }
    return Prediction(
        {
            "for": (case.evidence.as_of + timedelta(days=7)).isoformat(),
            "average_mass_kg": shown_band(scalar_at(case.next_mass_kg, (case.index,), 4), 2),
            "strength": {name: band for name, band in strength.items() if band is not None},
        }
    )


def shown_band(estimate: ScalarEstimate | None, digits: int) -> Band | None:
    """An estimate as a review shows it, rounded."""
    if estimate is None:
        return None
    mean, sd, lo, hi = (round(value, digits) for value in (estimate.mean, estimate.sd, estimate.lo, estimate.hi))
    return Band(mean=mean, sd=sd, lo=lo, hi=hi)
