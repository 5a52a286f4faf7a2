"""The movable clock of test practices: a year in an afternoon; real practices have none."""

from datetime import datetime
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from pydantic import Field

from service.api.http.fields import Answer, Body, Moment
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application import practices
from service.auth import requires
from service.errors import Conflict

router = APIRouter(tags=["practice"], route_class=CommittedRoute)


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
async def move_clock(body: ClockBody, scope: Here, request: Request, _: DryRun) -> ClockAnswer:
    """Move the clock of a test practice, forward only; what falls due by it is done within seconds.

    A practice is for tests when it was made so (`steelyard keys new --test`); in any other this is forbidden (403).
    The first move may go anywhere: reviews and checks that were planned by the real time are then planned anew.
    """
    await practices.move_clock(scope, body.now)
    request.state.after_commit = request.app.state.keys.forget
    return ClockAnswer(now=body.now)
