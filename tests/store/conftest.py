"""An open database with a practice, on both engines."""

import uuid
from collections.abc import AsyncIterator

import pytest

from service.application.practices import find_or_make_practice
from service.store.engine import Database


@pytest.fixture
async def database(database_url: str) -> AsyncIterator[Database]:
    """Open, with the tenant guard on."""
    opened = Database(database_url, check_tenant_filter=True)
    yield opened
    await opened.close()


@pytest.fixture
async def practice(database: Database) -> uuid.UUID:
    """A practice's id."""
    async with database.writing() as connection:
        return (await find_or_make_practice(connection, "One"))[0]
