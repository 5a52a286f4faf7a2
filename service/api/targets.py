"""Targets: what the athlete is to eat from a date on."""

import uuid
from datetime import date, datetime
from typing import Annotated, Any, Self

from fastapi import APIRouter, Depends, Request, Response
from pydantic import Field, model_validator

from service.api.athletes import AthletePath
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import (
    KCAL_PER_KJ,
    Acknowledged,
    Answer,
    Body,
    Date,
    Number,
    WholeNumber,
    Window,
    change_of,
    fault,
)
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application.plan import by_hand
from service.application.plan.targets import TargetsPlan
from service.auth import requires
from service.errors import Conflict, Invalid, NotFound, PreconditionFailed, PreconditionRequired
from service.store.scope import table_of
from service.store.tables import Target

router = APIRouter(tags=["coaching"], route_class=CommittedRoute)
_TABLE = table_of(Target)
_AMOUNTS = {"protein_g", "carbohydrate_g", "fat_g", "energy_kcal"}
Grams = Annotated[Number, Field(ge=0, le=2000)]


class MealTarget(Body):
    """One meal's share."""

    slot: Annotated[WholeNumber, Field(ge=1, le=12)]
    energy_kcal: Annotated[Number, Field(ge=0, le=10000)]
    protein_g: Grams


class TargetBody(Body):
    """Targets from a date on; energy in exactly one unit."""

    from_date: Date
    energy_kcal: Annotated[Number, Field(ge=500, le=10000)] | None = None
    energy_kj: Annotated[Number, Field(ge=2092, le=41840)] | None = None
    protein_g: Grams | None = None
    fat_g: Grams | None = None
    carbohydrate_g: Grams | None = None
    fibre_g: Grams | None = None
    meals: Annotated[list[MealTarget], Field(max_length=12)] | None = None
    eating_window: Window | None = None
    acknowledge: Acknowledged = Field(default_factory=list)

    @model_validator(mode="after")
    def _one_unit(self) -> Self:
        if (self.energy_kcal is None) == (self.energy_kj is None):
            raise fault("one_unit", "give exactly one of energy_kcal and energy_kj")
        return self

    def plan(self) -> TargetsPlan:
        """The targets that the body describes."""
        return TargetsPlan.read(self.from_date, in_kilocalories(self.model_dump()))


TargetChange = change_of(TargetBody, "TargetChange")


class TargetAnswer(Answer):
    """Targets."""

    id: uuid.UUID
    athlete_id: uuid.UUID
    from_date: date
    energy_kcal: float
    protein_g: float | None
    fat_g: float | None
    carbohydrate_g: float | None
    fibre_g: float | None
    meals: list[dict[str, Any]] | None
    eating_window: dict[str, str] | None
    review_id: uuid.UUID | None = None
    revision: int
    updated_at: datetime


def in_kilocalories(values: dict[str, Any]) -> dict[str, Any]:
    """The values with energy in kilocalories."""
    kilojoules = values.pop("energy_kj", None)
    return values if kilojoules is None else {**values, "energy_kcal": round(kilojoules * KCAL_PER_KJ, 6)}


@router.get(
    "/athletes/{athlete_id}/targets", dependencies=[Depends(requires("coaching:read"))], responses=documented(NotFound)
)
async def list_targets(
    athlete: AthletePath, scope: Here, request: Request, response: Response, limit: Limit = 100, cursor: Cursor = None
) -> Page[TargetAnswer]:
    """All targets by date."""
    statement = scope.select(Target).where(_TABLE.c.athlete_id == athlete.id)
    rows = await page(scope, statement, (_TABLE.c.from_date, _TABLE.c.id), request, response, limit, cursor)
    return Page(items=[TargetAnswer.model_validate(row._mapping) for row in rows])


@router.post(
    "/athletes/{athlete_id}/targets",
    status_code=201,
    dependencies=[Depends(requires("coaching:write"))],
    responses=documented(NotFound, Conflict),
)
async def add_target(
    athlete: AthletePath, body: TargetBody, scope: Here, response: Response, _: DryRun
) -> TargetAnswer:
    """Set targets from a date on; what they put in force today or later passes the safety gate, as phases do."""
    targets = await by_hand.add_targets(scope, athlete, body.plan(), body.acknowledge)
    show_version(response, 1)
    return TargetAnswer.model_validate(targets)


@router.patch(
    "/athletes/{athlete_id}/targets/{target_id}",
    dependencies=[Depends(requires("coaching:write"))],
    responses=documented(NotFound, Conflict, PreconditionFailed, PreconditionRequired),
)
async def change_target(
    athlete: AthletePath,
    target_id: uuid.UUID,
    body: TargetChange,  # type: ignore[valid-type]
    scope: Here,
    response: Response,
    _: DryRun,
    if_match: IfMatch = None,
) -> TargetAnswer:
    """Change targets (RFC 7396 merge patch), behind the safety gate as new ones."""
    stored = await by_hand.find_targets(scope, athlete, target_id)
    check_version(if_match, stored.revision)
    said = body.model_dump(exclude_unset=True)  # type: ignore[attr-defined]
    if "energy_kcal" in said and "energy_kj" in said:
        raise Invalid.field("/energy_kj", "one_unit", "give at most one of energy_kcal and energy_kj")
    acknowledged = said.pop("acknowledge", [])
    values = in_kilocalories(said)
    for name in ("energy_kcal", "from_date"):
        if values.get(name, 0) is None:
            raise Invalid.field(f"/{name}", "missing", "cannot be cleared")
    before = TargetsPlan.of(stored)
    plan = TargetsPlan.read(values.get("from_date", before.from_date), before.document() | values)
    amounts_said = not _AMOUNTS.isdisjoint(values)
    targets = await by_hand.change_targets(scope, athlete, stored, plan, acknowledged, amounts_said=amounts_said)
    show_version(response, targets.revision)
    return TargetAnswer.model_validate(targets)
