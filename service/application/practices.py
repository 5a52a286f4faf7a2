"""Finding and making practices, before there is a key to name one."""

import uuid

from sqlalchemy import insert, select
from sqlalchemy.ext.asyncio import AsyncConnection

from service.store.scope import table_of
from service.store.tables import Practice


async def find_or_make_practice(connection: AsyncConnection, name: str) -> tuple[uuid.UUID, bool]:
    """The practice of that name, made when it is missing; its id and whether it was made."""
    table = table_of(Practice)
    practice_id = (await connection.execute(select(table.c.id).where(table.c.name == name))).scalar()
    if practice_id is not None:
        return practice_id, False
    practice = Practice(name=name)
    await connection.execute(insert(table).values(**practice.model_dump()))
    return practice.id, True
