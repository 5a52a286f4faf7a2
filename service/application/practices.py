"""Finding and making practices, before there is a key to name one; moving the clock of one for tests."""

import uuid
from datetime import datetime

from sqlalchemy import insert, or_, select, update
from sqlalchemy.ext.asyncio import AsyncConnection

from service.errors import Conflict, Forbidden
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, Practice


async def find_or_make_practice(
    connection: AsyncConnection, name: str, *, test: bool = False
) -> tuple[uuid.UUID, bool]:
    """The practice of that name, made when it is missing; its id and whether it was made.

    Parameters
    ----------
    connection : AsyncConnection
        Where, on a transaction.
    name : str
        Its name.
    test : bool
        Whether it has to be a practice for tests, whose clock may be moved.

    Raises
    ------
    Conflict
        If a test practice is wanted and the practice of that name is a real one: it never becomes one for tests.
    """
    table = table_of(Practice)
    there = (await connection.execute(select(table.c.id, table.c.test).where(table.c.name == name))).first()
    if there is not None:
        if test and not there.test:
            raise Conflict(f"{name} is a real practice; take another name for one for tests")
        return there.id, False
    practice = Practice(name=name, test=test)
    await connection.execute(insert(table).values(**practice.model_dump()))
    return practice.id, True


async def move_clock(scope: Scope, to: datetime) -> None:
    """Move the clock of a test practice forward, the first time to anywhere.

    What was planned by the real time before is then planned anew.

    Raises
    ------
    Forbidden
        If the practice is a real one.
    Conflict
        If the clock stands later already.
    """
    practice = table_of(Practice)
    not_back = or_(practice.c.clock_at.is_(None), practice.c.clock_at <= to)
    of_tests = update(practice).where(practice.c.id == scope.practice_id, practice.c.test.is_(True), not_back)
    if not await scope.run(of_tests.values(clock_at=to)):
        if scope.clock_at is None:
            raise Forbidden("the clock of a real practice is the real time")
        raise Conflict(f"the clock stands at {scope.clock_at.isoformat()} and moves forward only")
    if scope.clock_at is None:
        await scope.run(scope.update(Athlete).values(next_review_at=None, next_check_in_at=to))
