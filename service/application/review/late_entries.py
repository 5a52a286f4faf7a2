"""What entries that came late have moved in the estimates of an earlier review."""

import uuid
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Literal

import numpy as np

from service.application.evidence.notes import EarlierReview, Notes
from service.application.evidence.review_documents import Band, ChangedSince, Moved, ReviewDocument
from service.application.review.case import Case
from service.application.review.digest import ENGINE_VERSION

Replaced = Mapping[uuid.UUID, ReviewDocument]  # reviews of the day that are made anew, by athlete
Followed = Literal[
    "average_mass_kg", "rate_pct_per_week", "tissue_rate_pct_per_week", "maintenance_kcal", "body_fat_pct"
]

_DECIMALS: dict[Followed, int] = {  # of the estimates whose change is told, as a review shows them
    "average_mass_kg": 2,
    "rate_pct_per_week": 3,
    "tissue_rate_pct_per_week": 3,
    "maintenance_kcal": 0,
    "body_fat_pct": 1,
}


def days_compared(replaced: Replaced, athlete_id: uuid.UUID, notes: Notes) -> list[date]:
    """The day whose estimates are held against those that an earlier review showed, if there is one."""
    earlier = compared_with(replaced.get(athlete_id), notes.reviews)
    return [] if earlier is None else [date.fromisoformat(earlier["as_of"])]


def compared_with(replaced: ReviewDocument | None, earlier: Sequence[EarlierReview]) -> ReviewDocument | None:
    """The review of the same day that is replaced, else the latest earlier one, of those made by this engine."""
    documents = [*([replaced] if replaced is not None else []), *(review.document for review in earlier)]
    return next((document for document in documents if document["engine_version"] == ENGINE_VERSION), None)


def moved_by_late_entries(case: Case) -> ChangedSince | None:
    """The estimates of an earlier review's day, then and now.

    By quantity (kg, %/week, kcal, %; main lifts by name, kg) what it was, is and by how much it moved. Of one engine
    version only; None when nothing moved, or nothing was reviewed before.
    """
    if case.compared is None:
        return None
    day = case.roster.day(date.fromisoformat(case.compared["as_of"]))
    if day < 0:  # nothing is left of the log of that time
        return None
    quantities = {}
    for name, (was, mean, decimals) in _then_and_now(case, case.compared, day).items():
        moved = was is not None and np.isfinite(mean) and abs(mean - was["mean"]) >= 0.75 * 10.0**-decimals
        if was is not None and moved:  # not by rounding
            change = round(mean - was["mean"], decimals)
            quantities[name] = Moved({"was": was["mean"], "is": round(mean, decimals), "by": change})
    return ChangedSince(as_of=case.compared["as_of"], quantities=quantities) if quantities else None


def _then_and_now(case: Case, earlier: ReviewDocument, day: int) -> dict[str, tuple[Band | None, float, int]]:
    """By quantity what was shown of a day, its mean as it is known now, and the decimals."""
    estimates, shown = case.estimates, earlier["estimates"]
    at = case.index, estimates.column(day)
    pairs: dict[str, tuple[Band | None, float, int]] = {
        name: (shown[name], float(getattr(estimates.body, name).mean[at]), decimals)
        for name, decimals in _DECIMALS.items()
    }
    maxima_kg = estimates.strength.lifts.one_rep_max_kg.mean
    for position, name in enumerate(estimates.lift_names[case.index]):
        lift = shown["strength"].get(name)
        pairs[name] = (lift and lift["one_rep_max_kg"], float(maxima_kg[case.index, position, day]), 1)
    return pairs
