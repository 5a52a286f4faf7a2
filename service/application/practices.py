"""Finding and making practices, before there is a key to name one."""

import uuid

from sqlalchemy import insert, select
from sqlalchemy.ext.asyncio import AsyncConnection

from service.store.scope import table_of
from service.store.tables import Practice


async def find_or_make_practice(connection: AsyncConnection, name: str) -> tuple[uuid.UUID, bool]:
    """The practice of that name, made when it is missing; its id and whether it was made."""
    table = table_of(Practice)
    found = (await connection.execute(select(table.c.id).where(table.c.name == name))).scalar()
    if found is not None:
        return found, False
    practice = Practice(name=name)
    await connection.execute(insert(table).values(**practice.model_dump()))
    return practice.id, True
