"""Lists: keyset pages behind opaque cursors (RFC 8288 `Link: rel="next"`)."""

import base64
import hashlib
import hmac
import json
import uuid
from collections.abc import Callable, Sequence
from typing import Annotated, Any, Generic, TypeVar
from urllib.parse import urlencode

from fastapi import Query, Request, Response
from pydantic import BaseModel
from sqlalchemy import ColumnElement, Row, Select, tuple_

from service.errors import Malformed
from service.store.scope import Scope

T = TypeVar("T")
Limit = Annotated[int, Query(ge=1, le=1000, description="rows per page")]
_NOT_OURS = "the cursor is not one that this list gave out"
Cursor = Annotated[str | None, Query(max_length=500, description="opaque; from the Link header of the page before")]


class Page(BaseModel, Generic[T]):
    """A page of a list; the next one's address is in the Link header."""

    items: list[T]


async def page(
    scope: Scope,
    statement: Select[Any],
    keys: Sequence[ColumnElement[Any]],
    request: Request,
    response: Response,
    limit: int,
    cursor: str | None,
) -> Sequence[Row[Any]]:
    """Rows of one page in the order of `keys` (unique together), with the Link header set when more follow.

    Raises
    ------
    Malformed
        If the cursor is not one that this list of this practice gave out.
    """
    seal = _seal(scope, request)
    if cursor is not None:
        statement = statement.where(tuple_(*keys) > tuple_(*_open(cursor, seal, keys)))
    rows = await scope.rows(statement.order_by(*keys).limit(limit + 1))
    if len(rows) > limit:
        _link(request, response, [getattr(rows[limit - 1], key.key or "") for key in keys], seal)
    return rows[:limit]


def place_after(scope: Scope, request: Request, cursor: str | None) -> tuple[int, int, str] | None:
    """Where a page of a list that is no table's begins: after this place; None at the first.

    Raises
    ------
    Malformed
        If the cursor is not one that this list of this practice gave out.
    """
    if cursor is None:
        return None
    major, minor, name = _unseal(cursor, _seal(scope, request))
    return int(major), int(minor), name


def page_of(
    scope: Scope, items: Sequence[T], key: Callable[[T], tuple[int, int, str]], request: Request, response: Response,
    limit: int,
) -> Sequence[T]:  # fmt: skip
    """One page of such a list, of the items from its beginning on, with the Link header set when there are more."""
    if len(items) > limit:
        _link(request, response, list(key(items[limit - 1])), _seal(scope, request))
    return items[:limit]


def _seal(scope: Scope, request: Request) -> bytes:
    """What marks the cursors of a list of a practice."""
    return f"{scope.practice_id}{request.url.path}".encode()


def _link(request: Request, response: Response, last: list[Any], seal: bytes) -> None:
    query = [(name, value) for name, value in request.query_params.multi_items() if name != "cursor"]
    address = f"{request.url.path}?{urlencode([*query, ('cursor', _close(last, seal))])}"
    response.headers["Link"] = f'<{address}>; rel="next"'


def _close(values: list[Any], seal: bytes) -> str:
    text = json.dumps([str(value) for value in values]).encode()
    return base64.urlsafe_b64encode(_mark(text, seal) + text).decode().rstrip("=")


def _open(cursor: str, seal: bytes, keys: Sequence[ColumnElement[Any]]) -> list[Any]:
    try:
        return [_parse(value, key) for value, key in zip(_unseal(cursor, seal), keys, strict=True)]
    except ValueError as error:
        raise Malformed(_NOT_OURS) from error


def _unseal(cursor: str, seal: bytes) -> list[str]:
    try:
        raw = base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True)
        mark, text = raw[:12], raw[12:]
        if not hmac.compare_digest(mark, _mark(text, seal)):
            raise ValueError("not of this list")
        values: list[str] = json.loads(text)
        return values
    except ValueError as error:
        raise Malformed(_NOT_OURS) from error


def _mark(text: bytes, seal: bytes) -> bytes:
    return hmac.digest(seal, text, hashlib.sha256)[:12]


def _parse(value: str, key: ColumnElement[Any]) -> Any:
    kind = key.type.python_type
    if kind is uuid.UUID:
        return uuid.UUID(value)
    return kind.fromisoformat(value) if hasattr(kind, "fromisoformat") else kind(value)
