"""Phases: build, cut and maintain, planned, current and past."""

import uuid
from datetime import date, datetime
from typing import Annotated, Self

from fastapi import APIRouter, Depends, Request, Response
from pydantic import Field, ValidationError, model_validator

from service.api.athletes import AthletePath
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import KCAL_PER_KJ, Acknowledged, Answer, Body, Date, Note, Number, change_of, fault
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import documented, faults_of
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application.plan import by_hand
from service.application.plan.phases import PhasePlan
from service.auth import requires
from service.domain.evidence import Kind
from service.errors import Conflict, Invalid, NotFound, PreconditionFailed, PreconditionRequired
from service.store.scope import table_of
from service.store.tables import Phase

router = APIRouter(tags=["coaching"], route_class=CommittedRoute)
_TABLE = table_of(Phase)


class PhaseBody(Body):
    """A phase; it ends where the next one starts."""

    kind: Kind
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

    def plan(self) -> PhasePlan:
        """The phase that the body describes."""
        kilojoules = self.energy_kj
        energy_kcal = self.energy_kcal if kilojoules is None else round(kilojoules * KCAL_PER_KJ, 6)
        return PhasePlan(self.kind, self.starts_on, self.planned_end_on, energy_kcal, self.note)


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
    phase, outcome = await by_hand.add_phase(scope, athlete, body.plan(), body.acknowledge)
    response.status_code = 200 if outcome == "unchanged" else 201
    show_version(response, phase.revision)
    return PhaseAnswer.model_validate(phase)


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
    stored = await by_hand.find_phase(scope, athlete, phase_id)
    check_version(if_match, stored.revision)
    said = body.model_dump(exclude_unset=True)  # type: ignore[attr-defined]
    kept = vars(PhasePlan.of(stored)).copy()
    if "energy_kj" in said:
        kept.pop("energy_kcal")
    try:
        whole: PhaseBody = PhaseBody.model_validate({**kept, **said})
    except ValidationError as error:
        faults = faults_of(error.errors())
        raise Invalid(faults[0].detail, faults) from error
    phase = await by_hand.change_phase(scope, athlete, stored, whole.plan(), whole.acknowledge)
    show_version(response, phase.revision)
    return PhaseAnswer.model_validate(phase)
