"""Reviews, and the coach's decisions on them."""

import uuid
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Annotated, Any, NamedTuple, cast

from fastapi import APIRouter, Depends, Request, Response
from pydantic import Field

from service.api.athletes import AthletePath, find_athlete
from service.api.decisions import DecisionAnswer, DecisionBody, shown
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import Answer, Body, Date
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, DryRun, Here, InTwoSteps, Overtaken, Prepared, PreparedRoute
from service.application.log.stale import changed_meanwhile, held
from service.application.plan.decisions import decide, decision_on
from service.application.review.keep import keep_reviews
from service.application.review.make import Result, make_reviews
from service.application.schedule import today_of
from service.auth import Principal, requires
from service.errors import Conflict, Invalid, NotFound, PreconditionFailed
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, AthleteDay, Review, TrainingSession, WellbeingNote

router = APIRouter(tags=["coaching"], route_class=CommittedRoute)
computed = APIRouter(route_class=PreparedRoute)
REVIEW = table_of(Review)
ATHLETE = table_of(Athlete)
Documented = dict[str, Any]


class ReviewBody(Body):
    """A review to be made; `as_of`, left out, is yesterday where the athlete lives.

    It is today where there is a note or session of today, or no entry before it.
    """

    as_of: Date | None = None


class FindingAnswer(Answer):
    """One rule's verdict."""

    code: str
    severity: Annotated[str, Field(examples=["info", "advice", "warning", "stop"])]
    sentence: str | None = Field(None, description="the statement's id; null in reviews made before there were ids")
    statement: str
    evidence: Documented
    source: str
    would_change: str | None = None


class RecommendationAnswer(Answer):
    """What the coach is asked to do."""

    action: Annotated[
        str,
        Field(examples=["hold", "change_energy", "switch_phase", "deload", "collect_data", "stop_deficit", "refer"]),
    ]
    energy_kcal: Documented
    targets: Documented | None
    phase: Documented | None
    prescriptions: list[Documented]
    because: list[str]
    would_change_if: list[str]


class ReviewAnswer(Answer):
    """A weekly review: estimates, findings, one recommendation with its reasons, a prediction."""

    id: uuid.UUID | None = Field(description="null in a dry run")
    athlete_id: uuid.UUID
    external_id: str
    week: Annotated[str, Field(examples=["2026-W09"])]
    as_of: date
    phase: Documented | None
    estimates: Documented
    findings: list[FindingAnswer]
    recommendation: RecommendationAnswer
    overridden: list[Documented]
    caution: str | None = Field(None, description="where something is stopped or a professional is to decide")
    prediction: Documented
    score: Documented | None = Field(
        description="how last week's prediction for this day came out: by quantity the interval `predicted` for the"
        " true value, what was `found` with which sd, the `interval` (90 %) in which the estimate was to be, given what"
        " the week taught, and whether it was `inside`"
    )
    changed_since: Documented | None = Field(
        None,
        description="what later entries have moved in the estimates of the previous review, or of the one made anew",
    )
    policy: Documented
    engine_version: str
    inputs_digest: str
    state: Annotated[str, Field(examples=["open", "accepted", "amended", "declined", "lapsed"])]
    stale: bool
    made_at: datetime


def _stored(review: Review, external_id: str) -> ReviewAnswer:
    of_review = {name: getattr(review, name) for name in ("id", "athlete_id", "state", "stale", "made_at")}
    return ReviewAnswer.model_validate({**review.document, **of_review, "external_id": external_id})


def _not_stored(result: Result, external_id: str, made_at: datetime) -> ReviewAnswer:
    of_review = {"id": None, "athlete_id": result.athlete_id, "state": "open", "stale": False, "made_at": made_at}
    return ReviewAnswer.model_validate({**result.document, **of_review, "external_id": external_id})


@router.get(
    "/athletes/{athlete_id}/reviews",
    dependencies=[Depends(requires("coaching:read"))],
    responses=documented(NotFound),
)
async def list_reviews(
    athlete: AthletePath, scope: Here, request: Request, response: Response, limit: Limit = 100, cursor: Cursor = None
) -> Page[ReviewAnswer]:
    """The athlete's reviews by date."""
    statement = scope.select(Review).where(REVIEW.c.athlete_id == athlete.id)
    rows = await page(scope, statement, (REVIEW.c.as_of, REVIEW.c.id), request, response, limit, cursor)
    return Page(items=[_stored(review, athlete.external_id) for review in cast(Sequence[Review], rows)])


@computed.post(
    "/athletes/{athlete_id}/reviews",
    status_code=201,
    dependencies=[Depends(requires("coaching:write"))],
    responses={
        200: {
            "description": "there was a review as of that day already (made anew if stale), or a dry run",
            "model": ReviewAnswer,
        },
        **documented(NotFound),
    },
)
async def make_review(
    athlete: AthletePath, body: ReviewBody, scope: Here, response: Response, dry_run: DryRun, prepared: InTwoSteps
) -> ReviewAnswer:
    """Review the athlete as of a date; a day has one review, and keeps it, unless it is open and `stale`.

    Then it is made anew under the same id (200, with a new version), and `changed_since` says what has moved. Open
    of earlier days lapse. The weekly review is made all the same on its day, unless it would be of that very date
    (a stale look at it gives way).
    """
    today = today_of(scope, athlete)
    as_of = body.as_of or await _latest_day(scope, athlete, today)
    if as_of > today:
        raise Invalid.field("/as_of", "in_the_future", f"{as_of} is in the future")
    of_the_day = scope.select(Review).where(REVIEW.c.athlete_id == athlete.id, REVIEW.c.as_of == as_of)
    review = None if dry_run else await scope.one(Review, of_the_day)
    if review is None or (review.state == "open" and review.stale):
        result, overtaken = await _result(scope, athlete, as_of, prepared)
        response.status_code = 201 if review is None and not dry_run else 200
        if not prepared.keep:
            return _not_stored(result, athlete.external_id, scope.now())
        await keep_reviews(scope, [result], scope.now(), weekly=False, overtaken={athlete.id} if overtaken else ())
        review = await scope.one(Review, of_the_day)
        assert review is not None
    else:
        response.status_code = 200
    show_version(response, review.revision)
    return _stored(review, athlete.external_id)


async def _latest_day(scope: Scope, athlete: Athlete, today: date) -> date:
    """The latest day that is known as a whole: yesterday, or the first day of whom nothing was logged before.

    Today once a note or a session of it is there: pain and symptoms count at once.
    """
    for felt in (WellbeingNote, TrainingSession):
        column = table_of(felt).c
        of_today = scope.select(felt).where(column.athlete_id == athlete.id, column.date == today)
        if await scope.first(of_today.limit(1)) is not None:
            return today
    day = table_of(AthleteDay).c
    before = scope.select(AthleteDay).where(day.athlete_id == athlete.id, day.date < today).limit(1)
    return today if await scope.first(before) is None else today - timedelta(days=1)


class _Worked(NamedTuple):
    """A review that was worked out, and the athlete's row as it was read for it."""

    athlete: Athlete
    result: Result


async def _result(scope: Scope, athlete: Athlete, as_of: date, prepared: Prepared) -> tuple[Result, bool]:
    """The review as worked out before the transaction, and whether something was stored of the athlete since.

    That has it worked out again, outside; the last time it is kept as of before.
    """
    worked: _Worked | None = prepared.work
    if not prepared.keep:
        (result,) = await make_reviews(scope, [athlete], as_of)
        prepared.work = _Worked(athlete, result)
        return result, False
    if worked is None or worked.result.as_of != as_of:  # of another day by now, or the day's review is stale by now
        raise Overtaken()
    overtaken = bool(changed_meanwhile(await held(scope, [worked.athlete]), [worked.athlete]))
    if overtaken and not prepared.last:
        raise Overtaken()
    return worked.result, overtaken


router.include_router(computed)


async def _find(
    scope: Scope, caller: Principal, review_id: uuid.UUID, to_write: bool = False
) -> tuple[Review, Athlete]:
    statement = scope.select(Review).where(REVIEW.c.id == review_id)
    review = await scope.one(Review, statement)
    if review is None:
        raise NotFound()
    athlete = await find_athlete(scope, caller, review.athlete_id, to_write)
    return (await scope.one(Review, statement) or review) if to_write else review, athlete


@router.get("/reviews/{review_id}", responses=documented(NotFound))
async def get_review(
    review_id: uuid.UUID,
    scope: Here,
    response: Response,
    caller: Annotated[Principal, Depends(requires("coaching:read"))],
) -> ReviewAnswer:
    """One review."""
    review, athlete = await _find(scope, caller, review_id)
    show_version(response, review.revision)
    return _stored(review, athlete.external_id)


@router.get("/reviews/{review_id}/decision", responses=documented(NotFound))
async def get_decision(
    review_id: uuid.UUID, scope: Here, caller: Annotated[Principal, Depends(requires("coaching:read"))]
) -> DecisionAnswer:
    """The decision on a review as it was recorded: who, when, what was acknowledged, what it set in motion."""
    review, _ = await _find(scope, caller, review_id)
    decision = await decision_on(scope, review.id)
    if decision is None:
        raise NotFound()
    return shown(decision)


@router.post(
    "/reviews/{review_id}/decision", status_code=201, responses=documented(NotFound, Conflict, PreconditionFailed)
)
async def decide_review(
    review_id: uuid.UUID,
    body: DecisionBody,
    scope: Here,
    response: Response,
    _: DryRun,
    caller: Annotated[Principal, Depends(requires("coaching:write"))],
    if_match: IfMatch = None,
) -> DecisionAnswer:
    """Accept, amend or decline the recommendation; an accepted one takes effect as targets and phase.

    An amendment that breaks a hard limit is refused; one that passes a soft limit must name its code in `acknowledge`.
    It holds from tomorrow on, or from a later day that an amendment names, whatever day was reviewed (`effective_on`);
    what stops a deficit or refers holds from today on. A stale review, or one of another phase than that in force, can
    only be declined (409).
    """
    review, athlete = await _find(scope, caller, review_id, to_write=True)
    check_version(if_match, review.revision, required=False)
    return shown(await decide(scope, athlete, review, body.said(), caller.key_id))
