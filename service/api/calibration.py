"""Calibration: how often past predictions came true, over the roster, by phase, and where the engine is off."""

import uuid
from collections import defaultdict
from collections.abc import Mapping, Sequence
from datetime import timedelta
from math import comb
from typing import Annotated, NamedTuple, cast

from fastapi import APIRouter, Depends, Query
from pydantic import Field

from service.api.http.fields import Answer, Date
from service.api.http.transaction import CommittedRoute, Here
from service.application.evidence.review_documents import Score, ScoredQuantity
from service.auth import Principal, requires
from service.store.scope import table_of
from service.store.tables import Athlete, Review

router = APIRouter(tags=["coaching"], route_class=CommittedRoute)
_REVIEW, _ATHLETE = table_of(Review), table_of(Athlete)
NOMINAL = 0.9
UNLIKELY = 0.01  # a calibrated engine misses so often with less than this probability


class ScoredReview(NamedTuple):
    """How the prediction of an athlete's week came out."""

    athlete_id: uuid.UUID
    score: Score


class Coverage(Answer):
    """Predictions scored, how often the estimate was found in its 90 % interval, and how sharp the intervals were."""

    scored: int
    inside: int = Field(description="found inside `interval` of the review's `score`")
    coverage: float | None = Field(description="inside / scored; 0.9 is nominal")
    mean_width: float | None = Field(description="of the scored intervals (`interval`), in the quantity's unit")
    mean_z: float | None


class OutOfCalibration(Answer):
    """An athlete for whom the intervals miss more often than chance explains."""

    athlete_id: uuid.UUID
    external_id: str
    quantity: str
    scored: int
    inside: int
    probability: float


class CalibrationAnswer(Answer):
    """By quantity (average mass in kg, main lifts in kg) over the roster, and by the phase of the prediction."""

    nominal: float
    overall: dict[str, Coverage]
    by_phase: dict[str, dict[str, Coverage]]
    warnings: list[OutOfCalibration]


@router.get("/calibration")
async def get_calibration(
    scope: Here,
    caller: Annotated[Principal, Depends(requires("coaching:read"))],
    from_: Annotated[Date | None, Query(alias="from", description="first review date; a year ago by default")] = None,
    to: Annotated[Date | None, Query(description="last review date")] = None,
) -> CalibrationAnswer:
    """Each review scores the prediction of the week before; this adds them up."""
    statement = scope.select(_REVIEW.c.athlete_id, _REVIEW.c.score, of=[Review]).where(
        _REVIEW.c.score.is_not(None), _REVIEW.c.as_of >= (from_ or scope.now().date() - timedelta(days=366))
    )
    if to is not None:
        statement = statement.where(_REVIEW.c.as_of <= to)
    if caller.athlete_id is not None:
        statement = statement.where(_REVIEW.c.athlete_id == caller.athlete_id)
    rows = cast(Sequence[ScoredReview], await scope.rows(statement))
    overall: dict[str, list[ScoredQuantity]] = defaultdict(list)
    by_phase: dict[str, dict[str, list[ScoredQuantity]]] = defaultdict(lambda: defaultdict(list))
    by_athlete: dict[tuple[uuid.UUID, str], list[ScoredQuantity]] = defaultdict(list)
    for row in rows:
        for name, item in row.score["quantities"].items():
            kind = name if name == "average_mass_kg" else "strength"
            overall[kind].append(item)
            by_phase[row.score["phase"] or "none"][kind].append(item)
            by_athlete[row.athlete_id, kind].append(item)
    named = scope.select(_ATHLETE.c.id, _ATHLETE.c.external_id, of=[Athlete])
    names: dict[uuid.UUID, str] = {row.id: row.external_id for row in await scope.rows(named)}
    return CalibrationAnswer(
        nominal=NOMINAL,
        overall={kind: _coverage(items) for kind, items in sorted(overall.items())},
        by_phase={
            phase: {kind: _coverage(items) for kind, items in sorted(kinds.items())}
            for phase, kinds in sorted(by_phase.items())
        },
        warnings=_warnings(by_athlete, names),
    )


def _coverage(items: Sequence[ScoredQuantity]) -> Coverage:
    inside = sum(item["inside"] for item in items)
    widths = [item["interval"]["hi"] - item["interval"]["lo"] for item in items if "interval" in item]
    zs = [item["z"] for item in items if item["z"] is not None]
    return Coverage(
        scored=len(items),
        inside=inside,
        coverage=round(inside / len(items), 3) if items else None,
        mean_width=round(sum(widths) / len(widths), 3) if widths else None,
        mean_z=round(sum(zs) / len(zs), 3) if zs else None,
    )


def _warnings(
    by_athlete: Mapping[tuple[uuid.UUID, str], Sequence[ScoredQuantity]], names: Mapping[uuid.UUID, str]
) -> list[OutOfCalibration]:
    warnings = []
    for (athlete, quantity), items in by_athlete.items():
        inside = sum(item["inside"] for item in items)
        probability = _at_most(inside, len(items))
        if probability < UNLIKELY:
            warnings.append(
                OutOfCalibration(
                    athlete_id=athlete, external_id=names[athlete], quantity=quantity, scored=len(items),
                    inside=inside, probability=round(probability, 5),
                )
            )  # fmt: skip
    return sorted(warnings, key=lambda warning: (warning.probability, warning.external_id, warning.quantity))


def _at_most(inside: int, scored: int) -> float:
    """Probability that a calibrated engine holds at most so many (binomial)."""
    return sum(comb(scored, k) * NOMINAL**k * (1 - NOMINAL) ** (scored - k) for k in range(inside + 1))
