"""What all kinds of entries share: bodies, storing with revisions, lists, changes.

A kind is a table, a body and an answer (`EntryKind`); `weigh_ins.py` is the shortest example. `store_entries` is
the one way in, for single entries, arrays and imports alike.
"""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Annotated, Any, ClassVar, Generic, Self, TypeVar

from fastapi import APIRouter, Depends, Query, Request, Response
from pydantic import Discriminator, Field, Tag, ValidationError, model_validator

from service.api.athletes import AthletePath
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.fields import Answer, Body, Date, Moment, Note, ShortText, change_of, fault
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import MANY, ONE, documented, faults_of
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application import schedule
from service.application.log.refresh import refresh
from service.application.log.stale import mark_stale
from service.auth import requires
from service.errors import Conflict, Fault, Invalid, NotFound, PreconditionFailed
from service.store.scope import Scope, table_of
from service.store.tables import Entry, EntryRevision
from service.store.types import new_id, now

OLDEST = timedelta(days=3653)  # an entry dated by mistake to another century would make every estimate slow
COMMON = ("date", "at", "ref", "note")


class EntryBody(Body):
    """What every entry may say beside its content; `date` or `at` is needed."""

    date: Date | None = Field(None, description="local calendar date; taken from `at` when absent")
    at: Moment | None = Field(None, description="instant with an offset")
    ref: ShortText | None = Field(None, description="the caller's own reference: the same one again changes, not adds")
    note: Note | None = None

    @model_validator(mode="after")
    def _dated(self) -> Self:
        if self.date is None and self.at is None:
            raise fault("no_date", "give a date or an instant, `at`")
        return self

    def columns(self) -> dict[str, Any]:
        """The content as the table's columns."""
        return self.model_dump(mode="json", exclude=set(COMMON))

    @classmethod
    def said_by(cls, row: Mapping[str, Any]) -> dict[str, Any]:
        """The body that would have made this row, for merging a PATCH."""
        names = [name for name in cls.model_fields if name in row]
        return {name: row[name] for name in names if row[name] is not None}


class Suspect(Answer):
    """Why an entry is doubted; it is kept, but stays out of the estimates until confirmed."""

    reason: str
    best_guess_kg: float | None = None
    best_guess_kcal: float | None = None


class EntryAnswer(Answer):
    """What every entry in an answer shows."""

    id: uuid.UUID
    athlete_id: uuid.UUID
    date: date
    at: datetime | None = None
    ref: str | None = None
    note: str | None = None
    suspect: Suspect | None = None
    revision: int
    created_at: datetime
    updated_at: datetime


B = TypeVar("B", bound=EntryBody)
A = TypeVar("A", bound=EntryAnswer)


@dataclass(frozen=True)
class EntryKind(Generic[B, A]):
    """One kind of entry: where it lives, what it is called, what it says."""

    table: type[Entry]
    body: type[B]
    answer: type[A]
    path: str
    one: str
    exclusive: ClassVar[tuple[tuple[str, ...], ...]] = (("mass_kg", "mass_lb"), ("energy_kcal", "energy_kj"))

    @property
    def name(self) -> str:
        """The kind's name in imports and histories."""
        return self.table.kind

    @cached_property
    def change(self) -> type[Body]:
        """The body of a PATCH: any of the body's fields, and `suspect: null` to confirm a doubted value."""
        return change_of(self.body, self.body.__name__.replace("Body", "Change"), suspect=(None, None))


@dataclass(frozen=True)
class Stored:
    """What became of one entry."""

    row: dict[str, Any]
    outcome: str  # created | revised | unchanged


def local_date(body: EntryBody, time_zone: str) -> date:
    """The entry's calendar date where the athlete lives."""
    if body.at is not None:
        return schedule.local_date(body.at, time_zone)
    assert body.date is not None
    return body.date


def date_faults(body: EntryBody, athlete: Any, place: str = "") -> list[Fault]:
    """What is wrong with an entry's date: it disagrees with the instant, or lies in the future or before birth."""
    day = local_date(body, athlete.time_zone)
    field = "date" if body.at is None else "at"
    if body.date is not None and body.date != day:
        detail = f"`at` falls on {day} in the athlete's zone {athlete.time_zone}"
        return [Fault(pointer=f"{place}/date", code="disagrees", detail=detail)]
    return day_faults(day, athlete, f"{place}/{field}")


def day_faults(day: date, athlete: Any, pointer: str = "/date") -> list[Fault]:
    """What is wrong with a day of an athlete's log: it lies in the future, before birth or too long ago."""
    today = schedule.today_of(athlete)
    if day > today:
        detail = f"{day} has not been yet: it is {today} in the athlete's zone {athlete.time_zone}"
        return [Fault(pointer=pointer, code="in_the_future", detail=detail)]
    if day < athlete.birth_date:
        return [Fault(pointer=pointer, code="before_birth", detail=f"{day} lies before the athlete's birth")]
    if day < now().date() - OLDEST:
        return [Fault(pointer=pointer, code="too_long_ago", detail=f"{day} is more than ten years ago")]
    return []


async def store_entries(
    scope: Scope, kind: EntryKind[Any, Any], entries: Sequence[tuple[Any, EntryBody]], key_id: uuid.UUID | None
) -> list[Stored]:
    """Store entries of one kind, keep what they replace, and bring the roll-ups up to date.

    Parameters
    ----------
    scope : Scope
        The practice, on the request's transaction.
    kind : EntryKind
        What they are.
    entries : sequence of (athlete row, body)
        References must be unique per athlete within the sequence.
    key_id : UUID
        Who says so, for the history.

    Returns
    -------
    list of Stored
        In the order given.
    """
    known = await _known_refs(scope, kind, entries)
    stored: list[Stored] = []
    created: list[dict[str, Any]] = []
    replaced: list[dict[str, Any]] = []
    instant = now()
    for athlete, body in entries:
        said = {"date": local_date(body, athlete.time_zone), "at": body.at, "note": body.note, **body.columns()}
        old = known.get((athlete.id, body.ref)) if body.ref is not None else None
        if old is None:
            row = {"id": new_id(), "athlete_id": athlete.id, "ref": body.ref, "revision": 1, "suspect": None, **said}
            row |= {"created_at": instant, "updated_at": instant, "confirmed": False}
            created.append(row)
            stored.append(Stored(row, "created"))
        elif all(old[name] == value for name, value in said.items()):
            stored.append(Stored(old, "unchanged"))
        else:
            replaced.append(old)
            confirmed = bool(old["confirmed"]) and _says_the_same(old, said)
            row = {**old, **said, "revision": old["revision"] + 1, "updated_at": instant, "confirmed": confirmed}
            stored.append(Stored(row, "revised"))
    await scope.insert(kind.table, created)
    await _keep_replaced(scope, kind, replaced, "change", key_id)
    for item in stored:
        if item.outcome == "revised":
            await _overwrite(scope, kind, item.row)
    touched = [item.row for item in stored if item.outcome != "unchanged"] + replaced
    await _follow_up(scope, kind, touched, [item.row for item in stored])
    return stored


def _says_the_same(old: Mapping[str, Any], new: Mapping[str, Any]) -> bool:
    """Whether two rows differ in their note or reference at most: what was confirmed stays confirmed."""
    return all(old[name] == value for name, value in new.items() if name not in ("ref", "note"))


async def _known_refs(
    scope: Scope, kind: EntryKind[Any, Any], entries: Sequence[tuple[Any, EntryBody]]
) -> dict[tuple[uuid.UUID, str], dict[str, Any]]:
    refs = [body.ref for _, body in entries if body.ref is not None]
    if not refs:
        return {}
    table = table_of(kind.table)
    athletes = {athlete.id for athlete, _ in entries}
    rows = await scope.rows(scope.select(kind.table).where(table.c.athlete_id.in_(athletes), table.c.ref.in_(refs)))
    return {(row.athlete_id, row.ref): dict(row._mapping) for row in rows}


async def _keep_replaced(
    scope: Scope, kind: EntryKind[Any, Any], rows: Sequence[Mapping[str, Any]], why: str, key_id: uuid.UUID | None
) -> None:
    history = [
        {
            "athlete_id": row["athlete_id"],
            "entry_id": row["id"],
            "revision": row["revision"],
            "kind": kind.name,
            "content": kind.answer.model_validate(row).model_dump(mode="json"),
            "replaced_by": why,
            "key_id": key_id,
        }
        for row in rows
    ]
    await scope.insert(EntryRevision, history)


async def _overwrite(scope: Scope, kind: EntryKind[Any, Any], row: Mapping[str, Any]) -> None:
    table = table_of(kind.table)
    values = {name: value for name, value in row.items() if name not in ("practice_id", "id", "athlete_id")}
    changed = await scope.run(
        scope.update(kind.table)
        .where(table.c.id == row["id"], table.c.revision == row["revision"] - 1)
        .values(**values)
    )
    if not changed:
        raise PreconditionFailed("somebody else changed it at the same moment; read it again")


async def _follow_up(
    scope: Scope, kind: EntryKind[Any, Any], touched: Sequence[Mapping[str, Any]], shown: Sequence[dict[str, Any]]
) -> None:
    """Roll-ups, doubts and stale marks; what they change on the entries is put on the rows shown to the caller."""
    if not touched:
        return
    days = {(row["athlete_id"], row["date"]) for row in touched}
    changes = await refresh(scope, kind.table, days)
    for row in shown:
        for change in changes.get(row["id"], ()):
            row |= vars(change)
    await mark_stale(scope, days)


def entry_routes(kind: EntryKind[B, A]) -> APIRouter:
    """The routes of one kind: list, add one or many, change, delete."""
    router = APIRouter(tags=["entries"], route_class=CommittedRoute)
    table = table_of(kind.table)
    plural = kind.path.replace("-", "_")
    body_type, change_type, answer_type = kind.body, kind.change, kind.answer
    one_or_many = Annotated[
        Annotated[body_type, Tag(ONE)] | Annotated[list[body_type], Tag(MANY), Field(min_length=1, max_length=1000)],  # type: ignore[valid-type]
        Discriminator(lambda value: MANY if isinstance(value, list) else ONE),
    ]
    read, write = Depends(requires("entries:read")), Depends(requires("entries:write"))
    here = f"/athletes/{{athlete_id}}/{kind.path}"

    @router.get(here, name=f"list_{plural}", dependencies=[read], response_model=Page[answer_type])  # type: ignore[valid-type]
    async def list_entries(
        athlete: AthletePath,
        scope: Here,
        request: Request,
        response: Response,
        from_: Annotated[date | None, Query(alias="from", description="first local date")] = None,
        to: Annotated[date | None, Query(description="last local date")] = None,
        suspect: Annotated[bool | None, Query(description="only the doubted ones, or only the others")] = None,
        limit: Limit = 100,
        cursor: Cursor = None,
    ) -> Any:
        statement = scope.select(kind.table).where(table.c.athlete_id == athlete.id)
        if from_ is not None:
            statement = statement.where(table.c.date >= from_)
        if to is not None:
            statement = statement.where(table.c.date <= to)
        if suspect is not None:
            statement = statement.where(table.c.suspect.is_not(None) if suspect else table.c.suspect.is_(None))
        rows = await page(scope, statement, (table.c.date, table.c.id), request, response, limit, cursor)
        return {"items": [row._mapping for row in rows]}

    @router.post(
        here,
        name=f"add_{plural}",
        status_code=201,
        response_model=answer_type | Page[answer_type],  # type: ignore[valid-type]
        responses={200: {"description": "nothing new: every `ref` was there already", "model": answer_type}},
    )
    async def add(
        athlete: AthletePath,
        scope: Here,
        body: one_or_many,
        response: Response,
        _: DryRun,
        caller: Any = write,
    ) -> Any:
        bodies: list[Any] = body if isinstance(body, list) else [body]
        _refuse(bodies, athlete, isinstance(body, list))
        done = await store_entries(scope, kind, [(athlete, item) for item in bodies], caller.key_id)
        if all(item.outcome != "created" for item in done):
            response.status_code = 200
        if isinstance(body, list):
            return {"items": [item.row for item in done]}
        show_version(response, done[0].row["revision"])
        return done[0].row

    @router.patch(
        here + "/{entry_id}",
        name=f"change_{plural}",
        response_model=answer_type,
        responses=documented(NotFound, Conflict, PreconditionFailed),
    )
    async def change(
        athlete: AthletePath,
        entry_id: uuid.UUID,
        scope: Here,
        body: change_type,  # type: ignore[valid-type]
        response: Response,
        _: DryRun,
        if_match: IfMatch = None,
        caller: Any = write,
    ) -> Any:
        old = await _find(scope, kind, athlete.id, entry_id)
        check_version(if_match, old["revision"], required=False)
        said: dict[str, Any] = body.model_dump(exclude_unset=True)  # type: ignore[attr-defined]
        row = await _merge(kind, athlete, old, said)
        if row["ref"] is not None and row["ref"] != old["ref"]:
            await _refuse_taken(scope, kind, athlete.id, row["ref"])
        await _keep_replaced(scope, kind, [old], "change", caller.key_id)
        await _overwrite(scope, kind, row)
        await _follow_up(scope, kind, [old, row], [row])
        show_version(response, row["revision"])
        return row

    @router.delete(
        here + "/{entry_id}",
        name=f"delete_{plural}",
        status_code=204,
        responses=documented(NotFound, PreconditionFailed),
    )
    async def delete(
        athlete: AthletePath, entry_id: uuid.UUID, scope: Here, if_match: IfMatch = None, caller: Any = write
    ) -> None:
        old = await _find(scope, kind, athlete.id, entry_id)
        check_version(if_match, old["revision"], required=False)
        await _keep_replaced(scope, kind, [old], "delete", caller.key_id)
        await scope.run(scope.delete(kind.table).where(table.c.id == entry_id))
        await _follow_up(scope, kind, [old], [])

    return router


def _refuse(bodies: Sequence[EntryBody], athlete: Any, many: bool) -> None:
    seen: set[str] = set()
    faults: list[Fault] = []
    for index, body in enumerate(bodies):
        place = f"/{index}" if many else ""
        faults += date_faults(body, athlete, place)
        if body.ref is not None and body.ref in seen:
            faults.append(Fault(pointer=f"{place}/ref", code="repeated", detail="this ref stands in the array twice"))
        seen.add(body.ref or "")
    if faults:
        raise Invalid(faults[0].detail, faults)


async def _refuse_taken(scope: Scope, kind: EntryKind[Any, Any], athlete_id: uuid.UUID, ref: str) -> None:
    table = table_of(kind.table)
    if await scope.first(scope.select(kind.table).where(table.c.athlete_id == athlete_id, table.c.ref == ref)):
        raise Conflict(f"the ref {ref!r} belongs to another {kind.one} of this athlete")


async def _find(scope: Scope, kind: EntryKind[Any, Any], athlete_id: uuid.UUID, entry_id: uuid.UUID) -> dict[str, Any]:
    table = table_of(kind.table)
    row = await scope.first(scope.select(kind.table).where(table.c.athlete_id == athlete_id, table.c.id == entry_id))
    if row is None:
        raise NotFound()
    return dict(row._mapping)


async def _merge(
    kind: EntryKind[Any, Any], athlete: Any, old: Mapping[str, Any], said: dict[str, Any]
) -> dict[str, Any]:
    """The row after a PATCH (RFC 7396): the old body with the changes, validated as a whole."""
    confirmed = "suspect" in said
    said.pop("suspect", None)
    merged = {**kind.body.said_by(old), **{name: old[name] for name in COMMON if old[name] is not None}}
    for group in kind.exclusive:
        if any(said.get(name) is not None for name in group):
            merged = {name: value for name, value in merged.items() if name not in group}
    if (said.get("at") is None) != (said.get("date") is None):
        merged.pop("date" if "date" not in said else "at", None)
    merged |= said
    try:
        body = kind.body.model_validate({name: value for name, value in merged.items() if value is not None})
    except ValidationError as error:
        faults = faults_of(error.errors())
        raise Invalid(faults[0].detail, faults) from error
    _refuse([body], athlete, many=False)
    values = {
        "date": local_date(body, athlete.time_zone),
        "at": body.at,
        "ref": body.ref,
        "note": body.note,
        **body.columns(),
    }
    return {
        **old,
        **values,
        "revision": old["revision"] + 1,
        "updated_at": now(),
        "confirmed": confirmed or (bool(old["confirmed"]) and _says_the_same(old, values)),
        "suspect": None if confirmed else old["suspect"],
    }
