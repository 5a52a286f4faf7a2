"""Finding and making practices, before there is a key to name one."""

import uuid

from sqlalchemy import insert, select
from sqlalchemy.ext.asyncio import AsyncConnection

from service.errors import Conflict
from service.store.scope import table_of
from service.store.tables import Practice


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
