"""Lists: keyset pages behind opaque cursors (RFC 8288 `Link: rel="next"`)."""

import base64
import hashlib
import hmac
import json
import uuid
from collections.abc import Sequence
from typing import Annotated, Any, Generic, TypeVar
from urllib.parse import urlencode

from fastapi import Query, Request, Response
from pydantic import BaseModel
from sqlalchemy import ColumnElement, Row, Select, tuple_

from service.errors import Malformed
from service.store.scope import Scope

T = TypeVar("T")
Limit = Annotated[int, Query(ge=1, le=1000, description="rows per page")]
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
    seal = f"{scope.practice_id}{request.url.path}".encode()
    if cursor is not None:
        statement = statement.where(tuple_(*keys) > tuple_(*_open(cursor, seal, keys)))
    rows = await scope.rows(statement.order_by(*keys).limit(limit + 1))
    if len(rows) > limit:
        last = [getattr(rows[limit - 1], key.key or "") for key in keys]
        query = [(name, value) for name, value in request.query_params.multi_items() if name != "cursor"]
        address = f"{request.url.path}?{urlencode([*query, ('cursor', _close(last, seal))])}"
        response.headers["Link"] = f'<{address}>; rel="next"'
    return rows[:limit]


def _close(values: list[Any], seal: bytes) -> str:
    text = json.dumps([str(value) for value in values]).encode()
    return base64.urlsafe_b64encode(_mark(text, seal) + text).decode().rstrip("=")


def _open(cursor: str, seal: bytes, keys: Sequence[ColumnElement[Any]]) -> list[Any]:
    try:
        raw = base64.b64decode(cursor + "=" * (-len(cursor) % 4), altchars=b"-_", validate=True)
        mark, text = raw[:12], raw[12:]
        if not hmac.compare_digest(mark, _mark(text, seal)):
            raise ValueError("not of this list")
        values = json.loads(text)
        return [_parse(value, key) for value, key in zip(values, keys, strict=True)]
    except ValueError as error:
        raise Malformed("the cursor is not one that this list gave out") from error


def _mark(text: bytes, seal: bytes) -> bytes:
    return hmac.digest(seal, text, hashlib.sha256)[:12]


def _parse(value: str, key: ColumnElement[Any]) -> Any:
    kind = key.type.python_type
    if kind is uuid.UUID:
        return uuid.UUID(value)
    return kind.fromisoformat(value) if hasattr(kind, "fromisoformat") else kind(value)
