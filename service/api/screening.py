"""Screening: answers that open or close the safety gate. It asks; it does not diagnose."""

import uuid
from datetime import date, datetime
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Depends, Response
from pydantic import Field

from service.api.athletes import AthletePath
from service.api.entries import future_faults
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import Answer, Body, Date, Name
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application.evidence.athlete_evidence import screening_answers
from service.application.log.screening import answer_screening, latest_screening
from service.auth import Principal, requires
from service.domain.evidence import Region
from service.domain.evidence import Screening as Answers
from service.domain.rules.screening import closing, unanswered
from service.errors import Fault, Forbidden, Invalid, NotFound, PreconditionFailed
from service.store.scope import Scope
from service.store.tables import Athlete, Screening

router = APIRouter(tags=["athletes"], route_class=CommittedRoute)
_SAY_IT_AGAIN = "the answer before asks for care: send it again, or what is true now; null withdraws it"


class Clearance(Body):
    """A licensed professional's word that something is allowed."""

    for_: Literal["deficit", "load"] = Field(alias="for", serialization_alias="for")
    on: Date
    by: Name


class ScreeningBody(Body):
    """All of the athlete's answers: they replace those before, and a question left out counts as unanswered.

    An answer that closes the safety gate is not lost by leaving it out: to withdraw it takes another answer, or null.
    Men are not asked about pregnancy and their cycle. Injuries, readiness and the cycle are only asked for: a deficit
    does not wait for them.
    """

    pregnant_or_breastfeeding: bool | None = None
    eating_disorder_history: bool | None = None
    kidney_disease: bool | None = None
    heart_or_metabolic_disease: bool | None = None
    glucose_lowering_medication: Literal["none", "insulin", "sulfonylurea", "other"] | None = None
    injury: Annotated[
        Literal["none"] | Annotated[list[Region], Field(min_length=1, max_length=14)] | None,
        Field(description="injured regions: nothing that loads them until a clearance for load"),
    ] = None
    regularly_active: Annotated[
        bool | None, Field(description="30 minutes of moderate exercise on 3 days a week for the last 3 months")
    ] = None
    signs_or_symptoms: Annotated[
        bool | None, Field(description="signs or symptoms of heart, metabolic or renal disease, at rest or in effort")
    ] = None
    desired_intensity: Literal["light", "moderate", "vigorous"] | None = None
    cycle: Literal["natural", "hormonal_contraception", "menopause", "unknown"] | None = None
    clearances: Annotated[list[Clearance], Field(max_length=50, default_factory=list)]

    def answers(self) -> dict[str, Any]:
        """As they are stored: what was answered."""
        return self.model_dump(mode="json", by_alias=True, exclude_none=True)


class ScreeningAnswer(Answer):
    """The latest answers; `answered_at` is null when there are none."""

    athlete_id: uuid.UUID
    answered_at: datetime | None
    revision: int
    pregnant_or_breastfeeding: bool | None = None
    eating_disorder_history: bool | None = None
    kidney_disease: bool | None = None
    heart_or_metabolic_disease: bool | None = None
    glucose_lowering_medication: str | None = None
    injury: Annotated[str | list[str] | None, Field(description='"none", or the injured regions')] = None
    regularly_active: bool | None = None
    signs_or_symptoms: bool | None = None
    desired_intensity: str | None = None
    cycle: str | None = None
    unanswered: Annotated[list[str], Field(description="questions still to be asked")]
    clearances: Annotated[list[dict[str, date | str]], Field(default_factory=list)]


@router.get(
    "/athletes/{athlete_id}/screening",
    dependencies=[Depends(requires("coaching:read"))],
    responses=documented(NotFound),
)
async def get_screening(athlete: AthletePath, scope: Here, response: Response) -> ScreeningAnswer:
    """The latest screening answers."""
    screening = await latest_screening(scope, athlete.id)
    show_version(response, screening.revision if screening else 0)
    if screening is None:
        missing = unanswered(Answers(), athlete.sex == "male")
        return ScreeningAnswer(
            athlete_id=athlete.id, answered_at=None, revision=0, unanswered=list(missing), clearances=[]
        )
    return _told(screening, athlete)


@router.put(
    "/athletes/{athlete_id}/screening",
    responses=documented(NotFound, PreconditionFailed),
)
async def put_screening(
    athlete: AthletePath,
    body: ScreeningBody,
    scope: Here,
    response: Response,
    _: DryRun,
    caller: Annotated[Principal, Depends(requires("athletes:write"))],
    if_match: IfMatch = None,
) -> ScreeningAnswer:
    """Answer the screening questions, all at once; the answers count for every review made after them.

    They replace those before: what is left out is unanswered again, and named in `unanswered`. An answer that closes
    the safety gate (insulin, pregnancy, an injury …) is never cleared by silence: once given, the field must be sent,
    if need be as null. Clearances open the safety gate: to change them takes the scope coaching:write, and none is
    dated after the athlete's today. A clearance opens what was known when it was given: what is answered anew after
    the first screening (pregnant now, another injured region …) takes one dated the day of that answer or later.
    """
    old = await latest_screening(scope, athlete.id)
    check_version(if_match, old.revision if old else 0, required=False)
    refuse_answers(scope, caller, body, athlete, old)
    new = await answer_screening(scope, athlete.id, body.answers())
    show_version(response, new.revision)
    return _told(new, athlete)


def refuse_answers(
    scope: Scope, caller: Principal, body: ScreeningBody, athlete: Athlete, old: Screening | None
) -> None:
    """Refuse answers that a man cannot give, silence about one that closed the safety gate, and clearances to come.

    Raises Invalid, with every fault; Forbidden where the caller may not change clearances.
    """
    if body.answers()["clearances"] != (old.answers["clearances"] if old else []) and not caller.may("coaching:write"):
        detail = "to change clearances the key needs the scope coaching:write"
        raise Forbidden(detail, [Fault("/clearances", "forbidden", detail)])
    faults = [
        fault
        for i, clearance in enumerate(body.clearances)
        for fault in future_faults(scope, clearance.on, athlete, f"/clearances/{i}/on")
    ]
    if athlete.sex == "male" and body.pregnant_or_breastfeeding:
        faults.append(Fault("/pregnant_or_breastfeeding", "not_of_men", "the athlete is recorded as male"))
    if athlete.sex == "male" and body.cycle is not None:
        faults.append(Fault("/cycle", "not_of_men", "the athlete is recorded as male: leave it out"))
    lost = [name for name in closing(screening_answers(old)) if name not in body.model_fields_set] if old else []
    faults += [Fault(f"/{name}", "answer_would_be_lost", _SAY_IT_AGAIN) for name in lost]
    if faults:
        raise Invalid(faults[0].detail, faults)


def _told(screening: Screening, athlete: Athlete) -> ScreeningAnswer:
    shown = {name: getattr(screening, name) for name in ("athlete_id", "answered_at", "revision")}
    missing = unanswered(screening_answers(screening), athlete.sex == "male")
    return ScreeningAnswer.model_validate({**shown, **screening.answers, "unanswered": missing})
