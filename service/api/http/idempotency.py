"""The same POST again (`Idempotency-Key`) gets the answer of the first, and has no second effect."""

import hashlib
from datetime import timedelta

from fastapi import Request, Response

from service.auth import Principal
from service.errors import Conflict, Invalid, Malformed
from service.store.scope import Scope, table_of
from service.store.tables import IdempotentAnswer
from service.store.types import now

KEEP_ANSWERS_FOR = timedelta(hours=24)
IDEMPOTENCY_KEY = {
    "name": "Idempotency-Key",
    "in": "header",
    "required": False,
    "schema": {"type": "string", "minLength": 1, "maxLength": 255},
    "description": "the same key and body again within 24 hours get the first answer, and have no second effect",
}


def idempotency_key(request: Request, principal: Principal) -> str | None:
    """The caller's Idempotency-Key; each of a practice's keys has a space of its own, for they may see other things."""
    value = request.headers.get("idempotency-key")
    if value is None or request.method != "POST":
        return None
    key = value.strip().removeprefix('"').removesuffix('"')
    if not 1 <= len(key) <= 255:
        raise Malformed("Idempotency-Key must be a string of 1 to 255 characters")
    return f"{principal.key_id} {key}"


async def _digest(request: Request) -> str:
    return hashlib.sha256(f"{request.url.query}\n".encode() + await request.body()).hexdigest()


async def claim(scope: Scope, request: Request, key: str) -> Response | None:
    """Make the key this request's own, or return the answer kept for it. A concurrent twin waits here."""
    answer = table_of(IdempotentAnswer)
    body_digest = await _digest(request)
    await scope.run(scope.delete(IdempotentAnswer).where(answer.c.kept_at < now() - KEEP_ANSWERS_FOR))
    row = {"route": request.url.path, "key": key, "request_digest": body_digest}
    if await scope.insert_new(IdempotentAnswer, [row], key=("practice_id", "route", "key")):
        return None
    the_keys = scope.select(IdempotentAnswer).where(answer.c.route == request.url.path, answer.c.key == key)
    kept = await scope.one(IdempotentAnswer, the_keys)
    assert kept is not None
    if kept.request_digest != body_digest:
        raise Invalid("this Idempotency-Key was used with another body; use a new key for a new request")
    if kept.status is None:
        raise Conflict("this Idempotency-Key was used; the answer held a secret, which is shown once and never kept")
    headers = {**dict(kept.headers or {}), "idempotency-replayed": "true"}
    return Response(kept.body, kept.status, headers)


async def keep(scope: Scope, request: Request, key: str, response: Response) -> None:
    """Keep the answer for a repeat, unless it holds a secret (`Cache-Control: no-store`)."""
    if response.headers.get("cache-control") == "no-store":
        return
    answer = table_of(IdempotentAnswer)
    headers = {name: value for name, value in response.headers.items() if name != "content-length"}
    await scope.run(
        scope.update(IdempotentAnswer)
        .where(answer.c.route == request.url.path, answer.c.key == key)
        .values(status=response.status_code, headers=headers, body=bytes(response.body).decode())
    )
