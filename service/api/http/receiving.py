"""Before a request is worked on: who is calling, and its whole body within the limit."""

from fastapi import Request
from starlette.types import Message

from service.auth import KeyRing, Principal
from service.errors import Malformed, TooLarge, UnsupportedMedia


async def admit(request: Request) -> Principal:
    """Who is calling, also as `request.state.principal`.

    Raises
    ------
    Unauthorised
        If there is no good key.
    Malformed
        If the address holds a NUL character, which no text column can be compared with.
    """
    keys: KeyRing = request.app.state.keys
    principal = await keys.authenticate(request.headers.get("authorization"))
    if "\0" in request.scope["path"] or any("\0" in value for value in request.query_params.values()):
        raise Malformed("the address holds a NUL character")
    request.state.principal = principal
    return principal


async def received(request: Request) -> Request:
    """The request with its whole body read.

    Raises
    ------
    TooLarge
        If the body is over the limit of the settings.
    UnsupportedMedia
        If there is a body that does not say it is JSON.
    """
    request = _limited(request, request.app.state.settings.max_body_bytes)
    if await request.body() and not _is_json(request.headers.get("content-type", "")):
        raise UnsupportedMedia("send Content-Type: application/json")
    return request


def _limited(request: Request, limit: int) -> Request:
    """The request, whose body is refused where it passes the limit. (Starlette's own limit answers in plain text.)"""
    size = 0

    async def receive() -> Message:
        nonlocal size
        message = await request.receive()
        size += len(message.get("body", b""))
        if size > limit:
            raise TooLarge(f"a body may have {limit} bytes")
        return message

    declared = request.headers.get("content-length", "")
    if declared.isdecimal() and int(declared) > limit:
        raise TooLarge(f"a body may have {limit} bytes")
    return Request(request.scope, receive)


def _is_json(content_type: str) -> bool:
    media_type = content_type.partition(";")[0].strip().lower()
    return media_type == "application/json" or (media_type.startswith("application/") and media_type.endswith("+json"))
