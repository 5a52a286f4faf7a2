"""What the documents of reviews hold, and their scores: written by `review`, read by name here and there."""

from typing import Any, TypedDict

from service.application.evidence.policies import Named


class Band(TypedDict):
    """An estimate as a review shows it; `lo` and `hi` bound 90 %."""

    mean: float
    sd: float
    lo: float
    hi: float


class PhaseDocument(TypedDict):
    """The phase in force on a review's day."""

    kind: str
    day: int
    starts_on: str
    planned_end_on: str | None


class LiftDocument(TypedDict):
    """Strength on one exercise, kg."""

    one_rep_max_kg: Band | None
    probability_lost: float | None
    probability_rising: float | None


class EstimatesDocument(TypedDict):
    """Estimates of a review's day, each in the unit of its name."""

    average_mass_kg: Band | None
    average_mass_of: str | None  # "average of 2 weigh-ins", where they are few
    rate_pct_per_week: Band | None
    tissue_rate_pct_per_week: Band | None
    maintenance_kcal: Band | None
    energy_requirement_kcal: Band | None
    body_fat_pct: Band | None
    fat_mass_kg: float | None
    probability: dict[str, float | None]
    strength: dict[str, LiftDocument]


Prediction = TypedDict(
    "Prediction", {"for": str, "average_mass_kg": Band | None, "strength": dict[str, Band]}
)  # for which day, and what for it


class Interval(TypedDict):
    """Bounds of a 90 % interval."""

    lo: float
    hi: float


class ScoredQuantity(TypedDict):
    """How the prediction of one quantity came out."""

    predicted: Band
    found: float
    found_sd: float
    interval: Interval
    z: float
    inside: bool


class Score(TypedDict):
    """How the prediction of the week before came out, and in which phase it was made."""

    made_as_of: str
    phase: str | None
    quantities: dict[str, ScoredQuantity]


Moved = TypedDict("Moved", {"was": float, "is": float, "by": float})  # an estimate of an earlier day, then and now


class ChangedSince(TypedDict):
    """What entries that came late have moved in the estimates of an earlier review."""

    as_of: str
    quantities: dict[str, Moved]


class ReviewDocument(TypedDict):
    """A review."""

    week: str
    as_of: str
    phase: PhaseDocument | None
    estimates: EstimatesDocument
    findings: list[dict[str, Any]]
    recommendation: dict[str, Any]
    overridden: list[dict[str, Any]]
    caution: str | None
    prediction: Prediction
    score: Score | None
    changed_since: ChangedSince | None
    policy: Named
    engine_version: str
    inputs_digest: str
