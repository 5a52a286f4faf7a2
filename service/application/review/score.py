"""How last week's prediction came out."""

from collections.abc import Sequence
from math import sqrt

from service.application.evidence.notes import EarlierReview
from service.application.evidence.review_documents import Band, Interval, Score, ScoredQuantity
from service.domain.evidence import Evidence, ScalarEstimate
from service.domain.normal import Z90

LEAST_LEARNED = 0.1  # of the predicted standard deviation: less is no test of it


def score_prediction(evidence: Evidence, earlier: Sequence[EarlierReview]) -> Score | None:
    """How last week's prediction for this very day came out, or None when there was none.

    For average mass and each main lift: predicted interval of the true value, what was found, and its distance from the
    prediction in standard deviations. What is found is an estimate too: it moves by what the week taught,
    √(sd² predicted − sd² found), as the estimates of any consistent filter do. `interval` is the central 90 % of that,
    where the estimate was to be found, and `inside` whether it was. A quantity about which the week taught (next to)
    nothing is not scored.
    """
    day = evidence.as_of.isoformat()
    document = next((review.document for review in earlier if review.document["prediction"]["for"] == day), None)
    if document is None:
        return None
    prediction = document["prediction"]
    predicted = {"average_mass_kg": prediction["average_mass_kg"], **prediction["strength"]}
    estimates = {lift.exercise: lift.one_rep_max_kg for lift in evidence.lifts}
    if evidence.average_mass_kg is not None:
        estimates["average_mass_kg"] = evidence.average_mass_kg
    quantities = {}
    for name, band in predicted.items():
        scored = _scored(band, estimates[name]) if band is not None and name in estimates else None
        if scored is not None:
            quantities[name] = scored
    if not quantities:
        return None
    phase = document["phase"]["kind"] if document["phase"] else None
    return Score(made_as_of=document["as_of"], phase=phase, quantities=quantities)


def _scored(predicted: Band, estimate: ScalarEstimate) -> ScoredQuantity | None:
    learned = predicted["sd"] ** 2 - estimate.sd**2
    if learned <= (LEAST_LEARNED * predicted["sd"]) ** 2:
        return None
    spread = sqrt(learned)
    z = (estimate.mean - predicted["mean"]) / spread
    return ScoredQuantity(
        predicted=predicted,
        found=round(estimate.mean, 2),
        found_sd=round(estimate.sd, 3),
        interval=Interval(lo=round(predicted["mean"] - Z90 * spread, 2), hi=round(predicted["mean"] + Z90 * spread, 2)),
        z=round(z, 2),
        inside=abs(z) <= Z90,
    )
