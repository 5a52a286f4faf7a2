"""Phases: build, cut and maintain, planned, current and past."""

import uuid
from collections.abc import Mapping
from datetime import date, datetime
from typing import Annotated, Any, Literal, Self

from fastapi import APIRouter, Depends, Request, Response
from pydantic import Field, ValidationError, model_validator

from service.api.athletes import AthletePath
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import KCAL_PER_KJ, Acknowledged, Answer, Body, Date, Note, Number, change_of, fault
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import documented, faults_of
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.api.safety import planned_phase, refuse_unsafe_step
from service.application.log.stale import mark_stale
from service.auth import requires
from service.errors import Conflict, Invalid, NotFound, PreconditionFailed, PreconditionRequired
from service.store.scope import Scope, table_of
from service.store.tables import Phase
from service.store.types import new_id, now

router = APIRouter(tags=["coaching"], route_class=CommittedRoute)
_TABLE = table_of(Phase)


class PhaseBody(Body):
    """A phase; it ends where the next one starts."""

    kind: Literal["build", "cut", "maintain"]
    starts_on: Date
    planned_end_on: Date | None = None
    energy_kcal: Annotated[Number, Field(ge=500, le=10000, description="daily energy from its first day")] | None = None
    energy_kj: Annotated[Number, Field(ge=2092, le=41840)] | None = None
    note: Note | None = None
    acknowledge: Acknowledged = Field(default_factory=list)

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.planned_end_on is not None and self.planned_end_on < self.starts_on:
            raise fault("ends_before_start", "planned_end_on lies before starts_on")
        if self.energy_kcal is not None and self.energy_kj is not None:
            raise fault("one_unit", "give at most one of energy_kcal and energy_kj")
        return self

    def columns(self) -> dict[str, Any]:
        """The table's columns."""
        values = self.model_dump(exclude={"acknowledge"})
        kilojoules = values.pop("energy_kj")
        if kilojoules is not None:
            values["energy_kcal"] = round(kilojoules * KCAL_PER_KJ, 6)
        return values


PhaseChange = change_of(PhaseBody, "PhaseChange")


class PhaseAnswer(Answer):
    """A phase."""

    id: uuid.UUID
    athlete_id: uuid.UUID
    kind: str
    starts_on: date
    planned_end_on: date | None
    energy_kcal: float | None
    note: str | None
    revision: int
    updated_at: datetime


async def put_phase(scope: Scope, athlete_id: uuid.UUID, body: PhaseBody) -> tuple[Mapping[str, Any], str]:
    """Store the phase that starts on a day, or change it to what the body says; what became of it."""
    values = body.columns()
    old = await scope.first(
        scope.select(Phase).where(_TABLE.c.athlete_id == athlete_id, _TABLE.c.starts_on == body.starts_on)
    )
    if old is not None:
        row = {**old._mapping, **values}
        if row == dict(old._mapping):
            return row, "unchanged"
        return await _update(scope, old, values), "revised"
    row = {"id": new_id(), "athlete_id": athlete_id, "revision": 1, "updated_at": now(), **values}
    await scope.insert(Phase, [row])
    await mark_stale(scope, {(athlete_id, body.starts_on)})
    return row, "created"


async def _update(scope: Scope, old: Any, values: dict[str, Any]) -> dict[str, Any]:
    values = {**values, "revision": old.revision + 1, "updated_at": now()}
    statement = scope.update(Phase).where(_TABLE.c.id == old.id, _TABLE.c.revision == old.revision)
    if not await scope.run(statement.values(**values)):
        raise PreconditionFailed()
    row = {**old._mapping, **values}
    await mark_stale(scope, {(old.athlete_id, min(old.starts_on, row["starts_on"]))})
    return row


@router.get(
    "/athletes/{athlete_id}/phases",
    dependencies=[Depends(requires("coaching:read"))],
    responses=documented(NotFound),
)
async def list_phases(
    athlete: AthletePath, scope: Here, request: Request, response: Response, limit: Limit = 100, cursor: Cursor = None
) -> Page[PhaseAnswer]:
    """The athlete's phases by start."""
    statement = scope.select(Phase).where(_TABLE.c.athlete_id == athlete.id)
    rows = await page(scope, statement, (_TABLE.c.starts_on, _TABLE.c.id), request, response, limit, cursor)
    return Page(items=[PhaseAnswer.model_validate(row._mapping) for row in rows])


@router.post(
    "/athletes/{athlete_id}/phases",
    status_code=201,
    dependencies=[Depends(requires("coaching:write"))],
    responses=documented(NotFound, Conflict),
)
async def add_phase(athlete: AthletePath, body: PhaseBody, scope: Here, response: Response, _: DryRun) -> PhaseAnswer:
    """Plan a phase; the phase before ends the day before it starts.

    What it puts in force today or later passes the safety gate, however it is dated: a hard limit refuses it, a soft
    one must be acknowledged. A phase that a later one has replaced already is history, and is kept as it was.
    """
    await refuse_unsafe_step(scope, athlete, planned_phase(body.columns()), body.acknowledge, "/kind")
    row, outcome = await put_phase(scope, athlete.id, body)
    if outcome == "revised":
        raise Conflict(f"a phase starts on {body.starts_on} already; change that one")
    response.status_code = 200 if outcome == "unchanged" else 201
    show_version(response, row["revision"])
    return PhaseAnswer.model_validate(row)


@router.patch(
    "/athletes/{athlete_id}/phases/{phase_id}",
    dependencies=[Depends(requires("coaching:write"))],
    responses=documented(NotFound, Conflict, PreconditionFailed, PreconditionRequired),
)
async def change_phase(
    athlete: AthletePath,
    phase_id: uuid.UUID,
    body: PhaseChange,  # type: ignore[valid-type]
    scope: Here,
    response: Response,
    _: DryRun,
    if_match: IfMatch = None,
) -> PhaseAnswer:
    """Change a phase (RFC 7396 merge patch), behind the safety gate as a new one."""
    old = await scope.first(scope.select(Phase).where(_TABLE.c.athlete_id == athlete.id, _TABLE.c.id == phase_id))
    if old is None:
        raise NotFound()
    check_version(if_match, old.revision)
    said = body.model_dump(exclude_unset=True)  # type: ignore[attr-defined]
    kept = {name: old._mapping[name] for name in ("kind", "starts_on", "planned_end_on", "energy_kcal", "note")}
    if "energy_kj" in said:
        kept.pop("energy_kcal")
    try:
        whole = PhaseBody.model_validate({**kept, **said})
    except ValidationError as error:
        faults = faults_of(error.errors())
        raise Invalid(faults[0].detail, faults) from error
    values = whole.columns()
    twin = scope.select(Phase).where(
        _TABLE.c.athlete_id == athlete.id, _TABLE.c.starts_on == values["starts_on"], _TABLE.c.id != phase_id
    )
    if await scope.first(twin) is not None:
        raise Conflict(f"another phase starts on {values['starts_on']}")
    await refuse_unsafe_step(scope, athlete, planned_phase(values, phase_id), whole.acknowledge, "/kind")
    row = await _update(scope, old, values)
    show_version(response, row["revision"])
    return PhaseAnswer.model_validate(row)
