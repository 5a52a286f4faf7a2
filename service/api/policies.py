"""Policies: versioned thresholds of a practice or of one athlete, and replays of them over past data."""

import asyncio
import logging
import uuid
from collections.abc import Coroutine, Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Annotated, Any, cast

from fastapi import APIRouter, Depends, FastAPI, Query, Request, Response
from pydantic import Field
from sqlalchemy import or_

from service.api.athletes import find_athlete
from service.api.http.fields import Answer, Body, Date, Note
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application.evidence import policies
from service.application.evidence.gather import read_log
from service.application.review.replay import Course, replay, summary
from service.auth import Principal, requires
from service.catalogue.sentences import question
from service.domain.policy import DEFAULT, Policy, describe, validate
from service.domain.rules.rulebook import describe_rules
from service.errors import Conflict, Fault, Invalid, NotFound
from service.store.engine import Database
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, PolicyVersion, Replay
from service.store.types import new_id, now

router = APIRouter(tags=["policies"], route_class=CommittedRoute)
_VERSION, _REPLAY, _ATHLETE = table_of(PolicyVersion), table_of(Replay), table_of(Athlete)
ATHLETES_AT_ONCE = 25
WEEKS_SHOWN = 5000
Read = Depends(requires("coaching:read"))
Reader = Annotated[Principal, Depends(requires("coaching:read"))]
Writer = Annotated[Principal, Depends(requires("coaching:write"))]
LONGEST_DAYS = 3660
_log = logging.getLogger(__name__)


class ThresholdAnswer(Answer):
    """One threshold: what it is, within which range, from where."""

    name: str
    type: str
    default: float
    unit: str
    range: dict[str, float]
    source: str
    description: str


class RuleAnswer(Answer):
    """One decision rule: what it asks, how much its finding matters, and which thresholds decide it."""

    code: str = Field(description="as its findings have it")
    stage: str = Field(description="rules are heard in the order safety, data, phase, energy, training")
    severity: str
    question: str
    argues_for: str | None = Field(description="the action that its finding argues for; null when it only informs")
    thresholds: list[str] = Field(description="names among `items`: all that the rule reads")
    source: str = Field(description="beside the thresholds' own; empty without one")


class PolicySchema(Answer):
    """All thresholds, and the rules that read them in the order in which they are heard."""

    items: list[ThresholdAnswer]
    rules: list[RuleAnswer]


class PolicyBody(Body):
    """A new version: the thresholds that differ from the service's own (for an athlete: from the practice's)."""

    changes: Annotated[dict[str, float], Field(max_length=200)]
    athlete_id: uuid.UUID | None = None
    note: Note | None = None


class PolicyReference(Answer):
    """A version of the practice's, or the service's own."""

    id: str
    version: int


class PolicyAnswer(Answer):
    """A version of a policy with all its values; an athlete's are laid on those of the practice's version `base`."""

    id: str
    version: int
    athlete_id: uuid.UUID | None
    changes: dict[str, float]
    values: dict[str, float]
    base: PolicyReference | None = Field(description="of an athlete's version: the practice's that `values` lie on")
    left_out: list[str] = Field(
        description="changes that are not in `values`, being out of range or order on that base"
    )
    note: str | None
    created_at: datetime | None


class ReplayBody(Body):
    """What to replay."""

    from_: Date = Field(alias="from")
    to: Date
    athletes: Annotated[list[uuid.UUID], Field(max_length=10000)] | None = Field(None, description="all when left out")
    against: str | None = Field(None, description="id of a second policy, to see both side by side")


class ReplayAnswer(Answer):
    """A replay; `result` has a summary by policy and, for up to 5,000 weeks, every recommendation."""

    id: uuid.UUID
    policy_id: str
    against_policy_id: str | None
    from_date: date
    to_date: date
    state: str
    athletes_done: int
    athletes_total: int
    result: dict[str, Any] | None
    detail: str | None
    started_at: datetime
    ended_at: datetime | None


def _answer(version: PolicyVersion, whole: policies.InForce) -> PolicyAnswer:
    own = {name: getattr(version, name) for name in ("version", "athlete_id", "changes", "note", "created_at")}
    values = {"id": whole.id, "values": whole.policy.values(), "base": whole.base, "left_out": whole.left_out}
    return PolicyAnswer.model_validate({**own, **values})


_BUILT_IN = PolicyAnswer(
    id=policies.DEFAULT_ID, version=1, athlete_id=None, changes={}, values=DEFAULT.values(),
    base=None, left_out=[], note="the service's own thresholds", created_at=None,
)  # fmt: skip


@router.get("/policies/schema", dependencies=[Read])
async def get_policy_schema() -> PolicySchema:
    """Every threshold with default, unit, range and source; every rule with the thresholds that decide it."""
    return PolicySchema(
        items=[ThresholdAnswer.model_validate(row) for row in describe()],
        rules=[RuleAnswer.model_validate({**row, "question": question(row["code"])}) for row in describe_rules()],
    )


@router.get("/policies")
async def list_policies(
    scope: Here,
    caller: Reader,
    request: Request,
    response: Response,
    athlete_id: Annotated[uuid.UUID | None, Query(description="only this athlete's")] = None,
    limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[PolicyAnswer]:
    """All versions, oldest first; `default` names the service's own."""
    statement = scope.select(PolicyVersion)
    if athlete_id is not None:
        statement = statement.where(_VERSION.c.athlete_id == athlete_id)
    if caller.athlete_id is not None:
        statement = statement.where(or_(_VERSION.c.athlete_id.is_(None), _VERSION.c.athlete_id == caller.athlete_id))
    rows = await page(scope, statement, (_VERSION.c.id,), request, response, limit, cursor)
    newest = await policies.practice_policy(scope)
    versions = cast(Sequence[PolicyVersion], rows)
    return Page(items=[_answer(version, _laid(newest, version)) for version in versions])


def _laid(base: policies.InForce, version: PolicyVersion) -> policies.InForce:
    return policies.of_practice(version) if version.athlete_id is None else policies.on_top(base, version)


@router.post("/policies", status_code=201, responses=documented(NotFound))
async def add_policy(body: PolicyBody, scope: Here, _: DryRun, caller: Writer) -> PolicyAnswer:
    """Make a new version, in force for every review made from now on; past reviews stay as they are.

    The practice's is refused when an athlete's own thresholds would be out of order on it.
    """
    base = policies.InForce()
    if body.athlete_id is not None:
        await find_athlete(scope, caller, body.athlete_id)
        base = await policies.practice_policy(scope)
    elif caller.athlete_id is not None:
        raise NotFound("a key bound to one athlete sets no policy of the practice")
    faults = validate(body.changes, base.policy)
    refused = [Fault(pointer=f"/changes/{fault.name}", code=fault.code, detail=fault.detail) for fault in faults]
    if not refused and body.athlete_id is None:
        refused = await _clashes(scope, body.changes)
    if refused:
        raise Invalid(refused[0].detail, refused)
    about = policies.PRACTICE if body.athlete_id is None else str(body.athlete_id)
    versions = scope.select(PolicyVersion).where(_VERSION.c.about == about)
    last = await scope.one(PolicyVersion, versions.order_by(_VERSION.c.version.desc()).limit(1))
    row = {"id": new_id(), "about": about, "version": last.version + 1 if last else 1, "key_id": caller.key_id}
    row |= body.model_dump()
    if not await scope.insert_new(PolicyVersion, [row], key=("practice_id", "about", "version")):
        raise Conflict("somebody else made a version at the same moment")
    kept = await scope.one(PolicyVersion, scope.select(PolicyVersion).where(_VERSION.c.id == row["id"]))
    assert kept is not None
    return _answer(kept, _laid(base, kept))


async def _clashes(scope: Scope, changes: Mapping[str, float]) -> list[Fault]:
    """Athletes' own thresholds that do not go with a new version of the practice's, each as a fault of that version."""
    return [
        Fault(
            pointer=f"/changes/{clash.against}" if clash.against in changes else "/changes",
            code="clashes_with_athlete",
            detail=f"Athlete {name} has {clash.name} of their own: {clash.detail} Make their version anew first.",
        )
        for name, clash in await policies.clashes(scope, DEFAULT.changed(changes))
    ]


@router.get("/policies/{policy_id}", responses=documented(NotFound))
async def get_policy(
    policy_id: str,
    scope: Here,
    caller: Reader,
    base: Annotated[
        str | None,
        Query(description="id of the practice's version to lay an athlete's on, as in a review; left out: the newest"),
    ] = None,
) -> PolicyAnswer:
    """One version with all its values; `base` shows an athlete's as it was when the practice's was another."""
    version = await policies.find(scope, policy_id)
    if policy_id != policies.DEFAULT_ID and (
        version is None or (caller.athlete_id is not None and version.athlete_id not in (None, caller.athlete_id))
    ):
        raise NotFound()
    if base is not None and (version is None or version.athlete_id is None):
        raise Invalid.field("base", "no_base", "only an athlete's version lies on another")
    if version is None:
        return _BUILT_IN
    below = await (policies.practice_policy(scope) if base is None else _base(scope, base))
    return _answer(version, _laid(below, version))


async def _base(scope: Scope, policy_id: str) -> policies.InForce:
    version = await policies.find(scope, policy_id)
    if policy_id != policies.DEFAULT_ID and (version is None or version.athlete_id is not None):
        raise Invalid.field("base", "unknown_policy", "the practice has no such version")
    return policies.of_practice(version)


async def _find(scope: Scope, policy_id: str) -> policies.InForce:
    policy = await policies.by_id(scope, policy_id)
    if policy is None:
        raise NotFound()
    return policy


@router.get("/policies/{policy_id}/replays", responses=documented(NotFound))
async def list_replays(
    policy_id: str, scope: Here, caller: Reader, request: Request, response: Response, limit: Limit = 100,
    cursor: Cursor = None,
) -> Page[ReplayAnswer]:  # fmt: skip
    """Replays of this policy with how far they have come, oldest first."""
    _refuse_bound(caller)
    await _find(scope, policy_id)
    statement = scope.select(Replay).where(_REPLAY.c.policy_id == policy_id)
    rows = await page(scope, statement, (_REPLAY.c.id,), request, response, limit, cursor)
    return Page(items=[ReplayAnswer.model_validate(row) for row in rows])


@router.get("/policies/{policy_id}/replays/{replay_id}", responses=documented(NotFound))
async def get_replay(policy_id: str, replay_id: uuid.UUID, scope: Here, caller: Reader) -> ReplayAnswer:
    """One replay: its progress, and in the end its result."""
    _refuse_bound(caller)
    statement = scope.select(Replay).where(_REPLAY.c.policy_id == policy_id, _REPLAY.c.id == replay_id)
    kept = await scope.one(Replay, statement)
    if kept is None:
        raise NotFound()
    return ReplayAnswer.model_validate(kept)


@router.post("/policies/{policy_id}/replays", status_code=202, responses=documented(NotFound))
async def add_replay(policy_id: str, body: ReplayBody, scope: Here, request: Request, caller: Writer) -> ReplayAnswer:
    """Run a policy over the past; it goes on in the background, `GET` shows progress. No athlete's record changes."""
    _refuse_bound(caller)
    if body.from_ > body.to:
        raise Invalid.field("/from", "after_to", "`from` lies after `to`")
    if body.to > scope.now().date() + timedelta(days=1):
        raise Invalid.field("/to", "in_the_future", f"{body.to} is in the future")
    if (body.to - body.from_).days > LONGEST_DAYS:
        raise Invalid.field("/from", "too_long", f"at most {LONGEST_DAYS} days at once")
    chosen = {policy_id: (await _find(scope, policy_id)).policy}
    if body.against is not None:
        try:
            chosen[body.against] = (await _find(scope, body.against)).policy
        except NotFound as error:
            raise Invalid.field("/against", "unknown_policy", "there is no such policy") from error
    statement = scope.select(Athlete).order_by(_ATHLETE.c.id)
    if body.athletes is not None:
        statement = statement.where(_ATHLETE.c.id.in_(body.athletes))
    athletes = await scope.all(Athlete, statement)
    if body.athletes is not None and len(athletes) != len(set(body.athletes)):
        raise Invalid.field("/athletes", "unknown_athlete", "some of these athletes are not in this practice")
    row = {"id": new_id(), "policy_id": policy_id, "against_policy_id": body.against, "from_date": body.from_}
    row |= {"to_date": body.to, "athletes_total": len(athletes)}
    await scope.insert(Replay, [row])
    database: Database = request.app.state.database
    background: set[asyncio.Task[None]] = request.app.state.background
    kept = await scope.one(Replay, scope.select(Replay).where(_REPLAY.c.id == row["id"]))
    assert kept is not None
    request.state.after_commit = lambda: _start(background, _run(database, caller, kept, athletes, chosen))
    return ReplayAnswer.model_validate(kept)


def _refuse_bound(caller: Principal) -> None:
    if caller.athlete_id is not None:
        raise NotFound("a replay shows other athletes; a key bound to one has none")


def _start(background: set[asyncio.Task[None]], work: Coroutine[None, None, None]) -> None:
    task = asyncio.create_task(work)
    background.add(task)
    task.add_done_callback(background.discard)


async def _run(
    database: Database, caller: Principal, kept: Replay, athletes: Sequence[Athlete], chosen: dict[str, Policy]
) -> None:
    """Replay a few athletes at a time, noting progress after each; what fails is kept as the replay's state."""
    courses: dict[str, list[Course]] = {name: [] for name in chosen}
    try:
        for start in range(0, len(athletes), ATHLETES_AT_ONCE):
            some = athletes[start : start + ATHLETES_AT_ONCE]
            async with database.reading() as connection:
                scope = Scope(connection, caller.practice_id, caller.clock_at)
                logged = await read_log(scope, some, kept.from_date, kept.to_date)
            done = await asyncio.to_thread(replay, logged, chosen)
            for name, own in done.items():
                courses[name] += own
            await _note(database, caller, kept.id, {"athletes_done": start + len(some), "heard_at": now()})
        end: dict[str, Any] = {"state": "done", "result": _result(courses, athletes)}
    except Exception as error:  # noqa: BLE001 - kept as the replay's state, and logged
        _log.exception("replay %s failed", kept.id)
        end = {"state": "failed", "detail": f"{type(error).__name__}: {error}"[:500]}
    await _note(database, caller, kept.id, {**end, "ended_at": now()})


def _result(courses: dict[str, list[Course]], athletes: Sequence[Athlete]) -> dict[str, Any]:
    result: dict[str, Any] = {"summary": {name: summary(own) for name, own in courses.items()}}
    if sum(len(course.weeks) for own in courses.values() for course in own) <= WEEKS_SHOWN:
        result["athletes"] = [
            {
                "athlete_id": str(athlete.id),
                "external_id": athlete.external_id,
                "weeks": {name: own[index].weeks for name, own in courses.items()},
            }
            for index, athlete in enumerate(athletes)
        ]
    return result


async def _note(database: Database, caller: Principal, replay: uuid.UUID, values: dict[str, Any]) -> None:
    async with database.writing() as connection:
        scope = Scope(connection, caller.practice_id, caller.clock_at)
        await scope.run(scope.update(Replay).where(_REPLAY.c.id == replay).values(**values))


async def finish_background(app: FastAPI) -> None:
    """Wait a while for the work that goes on in the background."""
    if app.state.background:
        await asyncio.wait(app.state.background, timeout=60)
