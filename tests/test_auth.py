"""Keys that are known from a moment ago: revoked means revoked, here at once and elsewhere within a second."""

import asyncio
from collections.abc import AsyncIterator

import pytest

from service.application.practices import find_or_make_practice
from service.auth import KNOWN_FOR_S, SCOPES, KeyRing, insert_key
from service.errors import Unauthorised
from service.store.engine import Database
from service.store.scope import Scope
from service.store.tables import ApiKey
from service.store.types import now


@pytest.fixture
async def database(database_url: str) -> AsyncIterator[Database]:
    database = Database(database_url, check_tenant_filter=True)
    yield database
    await database.close()


async def new_key(database: Database) -> tuple[Scope, str]:
    async with database.writing() as connection:
        practice, _ = await find_or_make_practice(connection, "Fen Edge")
        scope = Scope(connection, practice)
        _, secret = await insert_key(scope, "test", SCOPES)
    return scope, f"Bearer {secret}"


async def revoke_all(database: Database, scope: Scope) -> None:
    async with database.writing() as connection:
        here = Scope(connection, scope.practice_id)
        await here.run(here.update(ApiKey).values(revoked_at=now()))


async def test_a_revoked_key_is_refused_at_once_here_and_within_a_second_elsewhere(database: Database) -> None:
    scope, key = await new_key(database)
    here, elsewhere = KeyRing(database), KeyRing(database)
    for ring in (here, elsewhere):
        assert (await ring.authenticate(key)).practice_id == scope.practice_id
    await revoke_all(database, scope)
    here.forget()
    with pytest.raises(Unauthorised):
        await here.authenticate(key)
    assert KNOWN_FOR_S <= 1
    await asyncio.sleep(KNOWN_FOR_S)
    with pytest.raises(Unauthorised):
        await elsewhere.authenticate(key)


async def test_what_was_read_before_a_change_is_not_known_after_it(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    scope, key = await new_key(database)
    ring = KeyRing(database)

    async def revoked_after_the_look(*args: object) -> None:
        """Stands for a revocation that commits between the look and its end."""
        await revoke_all(database, scope)
        ring.forget()

    monkeypatch.setattr("service.auth._note_use", revoked_after_the_look)
    await ring.authenticate(key)  # was good when it was looked at
    with pytest.raises(Unauthorised):
        await ring.authenticate(key)
