"""The movable clock of test practices: a year in an afternoon; real practices have none."""

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Depends
from pydantic import Field
from sqlalchemy import or_, update

from service.api.http.fields import Answer, Body, Moment
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.auth import requires
from service.errors import Conflict, Forbidden
from service.store.scope import table_of
from service.store.tables import Athlete, Practice

router = APIRouter(tags=["practice"], route_class=CommittedRoute)
_PRACTICE = table_of(Practice)


class ClockBody(Body):
    """Where to move the clock; it stands there until it is moved again."""

    now: Annotated[Moment, Field(description="not earlier than where it stands")]


class ClockAnswer(Answer):
    """Where the clock stands."""

    now: datetime


@router.post(
    "/sandbox/clock",
    dependencies=[Depends(requires("admin", whole_practice=True))],
    responses=documented(Conflict),
)
async def move_clock(body: ClockBody, scope: Here, _: DryRun) -> ClockAnswer:
    """Move the clock of a test practice, forward only; what falls due by it is done within seconds.

    A practice is for tests when it was made so (`steelyard keys new --test`); in any other this is forbidden (403).
    The first move may go anywhere: reviews and checks that were planned by the real time are then planned anew.
    """
    not_back = or_(_PRACTICE.c.clock_at.is_(None), _PRACTICE.c.clock_at <= body.now)
    of_tests = update(_PRACTICE).where(_PRACTICE.c.id == scope.practice_id, _PRACTICE.c.test.is_(True), not_back)
    if not await scope.run(of_tests.values(clock_at=body.now)):
        if scope.clock_at is None:
            raise Forbidden("the clock of a real practice is the real time")
        raise Conflict(f"the clock stands at {scope.clock_at.isoformat()} and moves forward only")
    if scope.clock_at is None:
        await scope.run(scope.update(Athlete).values(next_review_at=None, next_check_in_at=body.now))
    return ClockAnswer(now=body.now)
