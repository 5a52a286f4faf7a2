"""Who is calling: from a bearer key to a principal."""

import hashlib
import secrets
import uuid
from collections.abc import Awaitable, Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from time import monotonic
from typing import Annotated, Any, Literal, NamedTuple, cast

from fastapi import Depends, Request
from fastapi.security import HTTPBearer
from sqlalchemy import select

from service.errors import Forbidden, Unauthorised
from service.store.engine import Database
from service.store.guard import CROSS_PRACTICE
from service.store.scope import Scope, table_of
from service.store.tables import ApiKey, Practice
from service.store.types import now

ScopeName = Literal["entries:write", "entries:read", "athletes:write", "coaching:write", "coaching:read", "admin"]
SCOPES: tuple[ScopeName, ...] = (
    "entries:write",
    "entries:read",
    "athletes:write",
    "coaching:write",
    "coaching:read",
    "admin",
)
LAST_USE_RESOLUTION = timedelta(hours=1)
KNOWN_FOR_S = 1.0
KNOWN_KEYS = 10_000  # at most
REFUSED = "the key is unknown, expired or revoked"

_scheme = HTTPBearer(auto_error=False, description="A key made by `POST /v1/keys` or `steelyard keys new`")


@dataclass(frozen=True)
class Principal:
    """The caller: a practice's key, its scopes, and the one athlete it may be bound to."""

    practice_id: uuid.UUID
    key_id: uuid.UUID
    scopes: frozenset[str]
    athlete_id: uuid.UUID | None
    clock_at: datetime | None = None  # where the clock of a test practice was moved to

    def may(self, scope_name: ScopeName) -> bool:
        """Whether the key has the scope; `admin` has all."""
        return scope_name in self.scopes or "admin" in self.scopes


def new_secret() -> str:
    """A fresh key of 256 random bits."""
    return "steelyard-" + secrets.token_urlsafe(32)


def digest(secret: str) -> str:
    """What is stored of a key. It has 256 random bits, so a plain SHA-256 cannot be reversed by guessing."""
    return hashlib.sha256(secret.encode()).hexdigest()


async def insert_key(
    scope: Scope,
    name: str,
    scopes: Sequence[ScopeName],
    athlete_id: uuid.UUID | None = None,
    expires_at: datetime | None = None,
) -> tuple[ApiKey, str]:
    """Store a new key of the practice; the row and the key's text, which is shown once."""
    secret = new_secret()
    key = ApiKey(
        practice_id=scope.practice_id,
        digest=digest(secret),
        name=name,
        scopes=list(scopes),
        athlete_id=athlete_id,
        expires_at=expires_at,
    )
    await scope.insert(ApiKey, [key.model_dump()])
    return key, secret


class KeyRing:
    """The keys that callers have shown lately, so that not each request looks its key up.

    What is known of a key is a second old at most. Who changes keys, or the clock of a test practice, has this process
    `forget` at once; other processes and servers learn of it within that second.
    """

    def __init__(self, database: Database) -> None:
        self._database = database
        self._known: dict[str, _Known] = {}
        self._changes = 0

    def forget(self) -> None:
        """Look every key up again."""
        self._changes += 1
        self._known.clear()

    async def authenticate(self, authorization: str | None) -> Principal:
        """Turn an Authorization header into a principal.

        Raises
        ------
        Unauthorised
            If the header is missing or not a bearer key, or the key is unknown, expired or revoked.
        """
        scheme, _, secret = (authorization or "").partition(" ")
        if scheme.lower() != "bearer" or not secret.strip():
            raise Unauthorised("send the header 'Authorization: Bearer <key>'")
        known = self._known.get(key_digest := digest(secret.strip()))
        if known is None or monotonic() - known.read_at > KNOWN_FOR_S:
            known = await self._look_up(key_digest)
        if known.expires_at is not None and known.expires_at <= now():
            raise Unauthorised(REFUSED)
        return known.principal

    async def _look_up(self, key_digest: str) -> "_Known":
        read_at, changes = monotonic(), self._changes
        key, clock_at = await _stored(self._database, key_digest)
        if key is None or key.revoked_at is not None:
            raise Unauthorised(REFUSED)
        instant = now()
        if key.last_used_at is None or instant - key.last_used_at > LAST_USE_RESOLUTION:
            await _note_use(self._database, key, instant)
        principal = Principal(key.practice_id, key.id, frozenset(key.scopes), key.athlete_id, clock_at)
        known = _Known(principal, key.expires_at, read_at)
        if changes == self._changes:  # else this may be what it was before the change
            if len(self._known) >= KNOWN_KEYS:
                self._known.clear()
            self._known[key_digest] = known
        return known


class _Known(NamedTuple):
    """What is known of a key, and when (monotonic seconds) it was asked for."""

    principal: Principal
    expires_at: datetime | None
    read_at: float


async def _stored(database: Database, key_digest: str) -> tuple[ApiKey | None, datetime | None]:
    """The key with this digest, of whichever practice, and where the practice's clock was moved to, if at all."""
    key, practice = table_of(ApiKey), table_of(Practice)
    statement = select(key, practice.c.clock_at).where(key.c.digest == key_digest, practice.c.id == key.c.practice_id)
    across = {CROSS_PRACTICE: "a key names its practice"}
    async with database.reading() as connection:
        row = (await connection.execute(statement, execution_options=across)).first()
    return cast(ApiKey | None, row), None if row is None else row.clock_at


async def _note_use(database: Database, key: ApiKey, instant: datetime) -> None:
    async with database.writing() as connection:
        scope = Scope(connection, key.practice_id)
        await scope.run(scope.update(ApiKey).where(table_of(ApiKey).c.id == key.id).values(last_used_at=instant))


def requires(scope_name: ScopeName, whole_practice: bool = False) -> Callable[..., Awaitable[Principal]]:
    """A dependency: the caller, if the key has the scope; `admin` has all.

    With `whole_practice` a key bound to one athlete may not: what it would change is everybody's.
    """

    async def principal(request: Request, _: Annotated[Any, Depends(_scheme)]) -> Principal:
        caller: Principal = request.state.principal
        if not caller.may(scope_name):
            raise Forbidden(f"the key lacks the scope {scope_name}")
        if whole_practice and caller.athlete_id is not None:
            raise Forbidden("the key is bound to one athlete; this is the whole practice's")
        return caller

    return principal
