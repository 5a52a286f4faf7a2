"""Small writes share a commit: each is answered after it, fails alone, and undoes only its own."""

import asyncio
import sqlite3
from collections.abc import AsyncIterator

import pytest
from sqlalchemy import event, insert, select, update
from sqlalchemy.exc import DBAPIError, IntegrityError

from service.errors import NotFound
from service.store.engine import Database
from service.store.scope import table_of
from service.store.shared_writer import Connection
from service.store.tables import Practice

PRACTICE = table_of(Practice)


@pytest.fixture
async def database(database_url: str) -> AsyncIterator[Database]:
    database = Database(database_url, check_tenant_filter=True)
    yield database
    await database.close()


async def add(database: Database, name: str, then: Exception | None = None, undo: bool = False) -> str:
    async def work(connection: Connection) -> str:
        await connection.execute(insert(PRACTICE), Practice(name=name).model_dump())
        if undo:
            await connection.rollback()
        if then is not None:
            raise then
        return name

    return await database.write_small(work)


async def names(database: Database) -> set[str]:
    async with database.reading() as connection:
        return set((await connection.execute(select(PRACTICE.c.name))).scalars())


async def test_each_fails_alone_and_what_is_undone_is_its_own(database: Database) -> None:
    await add(database, "there")
    ends = await asyncio.gather(
        add(database, "one"),
        add(database, "refused", then=NotFound()),
        add(database, "two"),
        add(database, "there"),  # a name is unique
        add(database, "tried", undo=True),
        add(database, "three"),
        return_exceptions=True,
    )
    assert [ends[index] for index in (0, 2, 4, 5)] == ["one", "two", "tried", "three"]
    assert isinstance(ends[1], NotFound) and isinstance(ends[3], IntegrityError)
    assert await names(database) == {"there", "one", "two", "three"}


@pytest.mark.engines("sqlite")
async def test_what_waits_for_one_commit_shares_the_next_and_is_answered_after_it(
    database: Database, database_url: str
) -> None:
    path, answered = database_url.removeprefix("sqlite:///"), []
    async with database.writing():  # the writer is taken, so all of these wait
        waiting = [asyncio.create_task(add(database, f"n{number}")) for number in range(50)]
        for task in waiting:
            task.add_done_callback(lambda done: answered.append((done.result(), kept(path))))
        await asyncio.sleep(0.05)
        assert not answered
        before = changes(path)
    await asyncio.gather(*waiting)
    assert len(answered) == 50
    assert all(there >= {name} for name, there in answered)
    assert changes(path) - before == 1


@pytest.mark.engines("sqlite")
async def test_a_commit_that_fails_is_nobodys_success(database: Database, database_url: str) -> None:
    await add(database, "there")
    other = sqlite3.connect(database_url.removeprefix("sqlite:///"), isolation_level=None)
    (pages,) = other.execute("PRAGMA page_count").fetchone()
    assert database._shared is not None

    full = f"PRAGMA max_page_count={pages}"
    event.listen(database._shared._engine, "checkout", lambda connection, *_: connection.execute(full))
    ends = await asyncio.gather(*(add(database, "x" * 4000 + str(n)) for n in range(5)), return_exceptions=True)
    assert all(isinstance(end, DBAPIError) for end in ends), ends
    assert await names(database) == {"there"}
    other.close()


@pytest.mark.engines("sqlite")
async def test_work_that_waits_for_something_else_is_refused(database: Database) -> None:
    async def work(_connection: Connection) -> None:
        await asyncio.sleep(0)

    with pytest.raises(RuntimeError, match="other than its connection"):
        await database.write_small(work)
    assert await add(database, "after") == "after"


@pytest.mark.engines("postgresql")
async def test_who_must_wait_for_rows_waits_alone(database: Database) -> None:
    await add(database, "held")
    held = update(PRACTICE).where(PRACTICE.c.name == "held")

    async def change(connection: Connection) -> int:
        return (await connection.execute(held.values(time_zone="Europe/Oslo"))).rowcount

    async with database.writing() as connection:
        await connection.execute(held.values(time_zone="Europe/Rome"))
        waiting = asyncio.create_task(database.write_small(change))
        for number in range(3):
            assert await asyncio.wait_for(add(database, f"n{number}"), 10) == f"n{number}"
        assert not waiting.done()
    assert await asyncio.wait_for(waiting, 10) == 1
    async with database.reading() as connection:
        zone = select(PRACTICE.c.time_zone).where(PRACTICE.c.name == "held")
        assert (await connection.execute(zone)).scalar_one() == "Europe/Oslo"


def kept(path: str) -> set[str]:
    connection = sqlite3.connect(path)
    rows = connection.execute("SELECT name FROM practice").fetchall()
    connection.close()
    return {name for (name,) in rows}


def changes(path: str) -> int:
    """Commits so far, from the write-ahead log: its frames that end a transaction (their database size is not zero)."""
    with open(f"{path}-wal", "rb") as log:
        content = log.read()
    size = int.from_bytes(content[8:12], "big")
    frames = range(32, len(content), 24 + size)
    salts = content[16:24]
    return sum(
        content[at + 8 : at + 16] == salts and int.from_bytes(content[at + 4 : at + 8], "big") > 0 for at in frames
    )
