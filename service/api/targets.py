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
from service.application.plan.refusals import refuse_unsafe_targets
from service.application.plan.targets import TargetsPlan, put_targets, revise_targets
from service.auth import requires
from service.errors import Conflict, Invalid, NotFound, PreconditionFailed, PreconditionRequired
from service.store.scope import table_of
from service.store.tables import Target

router = APIRouter(tags=["coaching"], route_class=CommittedRoute)
_TABLE = table_of(Target)
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


_AMOUNTS = {"protein_g", "carbohydrate_g", "fat_g", "energy_kcal"}


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
    there = scope.select(Target).where(_TABLE.c.athlete_id == athlete.id, _TABLE.c.from_date == body.from_date)
    if await scope.first(there) is not None:
        raise Conflict(f"there are targets from {body.from_date} already; change those")
    plan = body.plan()
    await refuse_unsafe_targets(scope, athlete, plan, body.acknowledge)
    targets = await put_targets(scope, athlete.id, plan)
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
    named = scope.select(Target).where(_TABLE.c.athlete_id == athlete.id, _TABLE.c.id == target_id)
    stored = await scope.one(Target, named)
    if stored is None:
        raise NotFound()
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
    from_date = values.pop("from_date", before.from_date)
    twin = scope.select(Target).where(
        _TABLE.c.athlete_id == athlete.id, _TABLE.c.from_date == from_date, _TABLE.c.id != target_id
    )
    if await scope.first(twin) is not None:
        raise Conflict("there are other targets from that date")
    plan = TargetsPlan.read(from_date, before.document() | values)
    amounts_new = not _AMOUNTS.isdisjoint(values)
    await refuse_unsafe_targets(scope, athlete, plan, acknowledged, target_id, amounts_new=amounts_new)
    targets = await revise_targets(scope, stored, plan)
    show_version(response, targets.revision)
    return TargetAnswer.model_validate(targets)
