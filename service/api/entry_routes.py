"""The routes of a kind of entry: list, add one or many, change, delete."""

import uuid
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request, Response
from pydantic import Discriminator, Field, Tag, ValidationError

from service.api.athletes import AthletePath
from service.api.entries import COMMON, EntryBody, EntryKind, date_faults, new_entry
from service.api.http.conditional import IfMatch, check_version, show_version
from service.api.http.paging import Cursor, Limit, Page, page
from service.api.http.problems import MANY, ONE, documented, faults_of
from service.api.http.transaction import CommittedRoute, DryRun, Here
from service.application.log.entries import (
    LoggedEntry,
    NewEntry,
    change_entry,
    delete_entry,
    find_entry,
    ref_is_taken,
    store_entries,
)
from service.auth import Principal, requires
from service.errors import Conflict, Fault, Invalid, NotFound, PreconditionFailed
from service.store.scope import Scope, table_of
from service.store.tables import Athlete

AnyKind = EntryKind[Any, Any]
Writer = Annotated[Principal, Depends(requires("entries:write"))]


def entry_routes(kind: AnyKind) -> APIRouter:
    """The routes of one kind."""
    router = APIRouter(tags=["entries"], route_class=CommittedRoute)
    for add_route in (_list_route, _add_route, _change_route, _delete_route):
        add_route(router, kind)
    return router


def _path(kind: AnyKind) -> str:
    return f"/athletes/{{athlete_id}}/{kind.path}"


def _name(verb: str, kind: AnyKind) -> str:
    return f"{verb}_{kind.path.replace('-', '_')}"


def _list_route(router: APIRouter, kind: AnyKind) -> None:
    answer = kind.answer
    columns = table_of(kind.table).c

    @router.get(
        _path(kind),
        name=_name("list", kind),
        dependencies=[Depends(requires("entries:read"))],
        response_model=Page[answer],  # type: ignore[valid-type]
    )
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
        statement = scope.select(kind.table).where(columns.athlete_id == athlete.id)
        if from_ is not None:
            statement = statement.where(columns.date >= from_)
        if to is not None:
            statement = statement.where(columns.date <= to)
        if suspect is not None:
            statement = statement.where(columns.suspect.is_not(None) if suspect else columns.suspect.is_(None))
        rows = await page(scope, statement, (columns.date, columns.id), request, response, limit, cursor)
        return {"items": [row._mapping for row in rows]}


def _add_route(router: APIRouter, kind: AnyKind) -> None:
    body_type, answer = kind.body, kind.answer
    one_or_many = Annotated[
        Annotated[body_type, Tag(ONE)] | Annotated[list[body_type], Tag(MANY), Field(min_length=1, max_length=1000)],  # type: ignore[valid-type]
        Discriminator(lambda value: MANY if isinstance(value, list) else ONE),
    ]

    @router.post(
        _path(kind),
        name=_name("add", kind),
        status_code=201,
        response_model=answer | Page[answer],  # type: ignore[valid-type]
        responses={200: {"description": "nothing new: every `ref` was there already", "model": answer}},
    )
    async def add(
        athlete: AthletePath, scope: Here, body: one_or_many, response: Response, _: DryRun, caller: Writer
    ) -> Any:
        bodies: list[EntryBody] = body if isinstance(body, list) else [body]
        _refuse(scope, bodies, athlete, isinstance(body, list))
        new = [new_entry(athlete, item) for item in bodies]
        stored = await store_entries(scope, kind.table, new, kind.history(caller.key_id))
        if all(item.outcome != "created" for item in stored):
            response.status_code = 200
        if isinstance(body, list):
            return {"items": [kind.answered(item.entry) for item in stored]}
        show_version(response, stored[0].entry.revision)
        return kind.answered(stored[0].entry)


def _change_route(router: APIRouter, kind: AnyKind) -> None:
    change_type = kind.change

    @router.patch(
        _path(kind) + "/{entry_id}",
        name=_name("change", kind),
        response_model=kind.answer,
        responses=documented(NotFound, Conflict, PreconditionFailed),
    )
    async def change(
        athlete: AthletePath,
        entry_id: uuid.UUID,
        scope: Here,
        body: change_type,  # type: ignore[valid-type]
        response: Response,
        _: DryRun,
        caller: Writer,
        if_match: IfMatch = None,
    ) -> Any:
        old = await _find(scope, kind, athlete.id, entry_id)
        check_version(if_match, old.revision, required=False)
        said: dict[str, Any] = body.model_dump(exclude_unset=True)  # type: ignore[attr-defined]
        confirmed = "suspect" in said
        said.pop("suspect", None)
        new = _merged(scope, kind, athlete, old, said)
        if new.ref is not None and new.ref != old.ref and await ref_is_taken(scope, kind.table, athlete.id, new.ref):
            raise Conflict(f"the ref {new.ref!r} belongs to another {kind.one} of this athlete")
        entry = await change_entry(scope, kind.table, old, new, kind.history(caller.key_id), confirmed=confirmed)
        show_version(response, entry.revision)
        return kind.answered(entry)


def _delete_route(router: APIRouter, kind: AnyKind) -> None:
    @router.delete(
        _path(kind) + "/{entry_id}",
        name=_name("delete", kind),
        status_code=204,
        responses=documented(NotFound, PreconditionFailed),
    )
    async def delete(
        athlete: AthletePath, entry_id: uuid.UUID, scope: Here, caller: Writer, if_match: IfMatch = None
    ) -> None:
        old = await _find(scope, kind, athlete.id, entry_id)
        check_version(if_match, old.revision, required=False)
        await delete_entry(scope, kind.table, old, kind.history(caller.key_id))


def _refuse(scope: Scope, bodies: Sequence[EntryBody], athlete: Athlete, many: bool) -> None:
    refs: set[str] = set()
    faults: list[Fault] = []
    for index, body in enumerate(bodies):
        place = f"/{index}" if many else ""
        faults += date_faults(scope, body, athlete, place)
        if body.ref is not None and body.ref in refs:
            faults.append(Fault(pointer=f"{place}/ref", code="repeated", detail="this ref stands in the array twice"))
        refs.add(body.ref or "")
    if faults:
        raise Invalid(faults[0].detail, faults)


async def _find(scope: Scope, kind: AnyKind, athlete_id: uuid.UUID, entry_id: uuid.UUID) -> LoggedEntry:
    entry = await find_entry(scope, kind.table, athlete_id, entry_id)
    if entry is None:
        raise NotFound()
    return entry


def _merged(scope: Scope, kind: AnyKind, athlete: Athlete, old: LoggedEntry, said: Mapping[str, Any]) -> NewEntry:
    """What a PATCH makes of an entry (RFC 7396): the old body with the changes, validated as a whole."""
    columns = old.columns()
    merged = {**kind.body.said_by(columns), **{name: columns[name] for name in COMMON if columns[name] is not None}}
    for group in kind.exclusive:
        if any(said.get(name) is not None for name in group):
            merged = {name: value for name, value in merged.items() if name not in group}
    if (said.get("at") is None) != (said.get("date") is None):
        merged.pop("date" if "date" not in said else "at", None)
    merged |= said
    try:
        body: EntryBody = kind.body.model_validate({name: value for name, value in merged.items() if value is not None})
    except ValidationError as error:
        faults = faults_of(error.errors())
        raise Invalid(faults[0].detail, faults) from error
    _refuse(scope, [body], athlete, many=False)
    return new_entry(athlete, body)
