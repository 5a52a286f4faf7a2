"""Facts of athletes by which entries are judged and computed."""

import uuid
from collections.abc import Iterable
from datetime import date
from typing import NamedTuple

from service.store.scope import Scope, table_of
from service.store.tables import Athlete
from service.store.types import Sex


class AthleteFacts(NamedTuple):
    """What the roll-ups of an athlete's entries rest on."""

    id: uuid.UUID
    height_cm: float
    sex: Sex
    birth_date: date


async def facts_of(scope: Scope, athletes: Iterable[uuid.UUID]) -> dict[uuid.UUID, AthleteFacts]:
    """The facts of some athletes, by id."""
    athlete = table_of(Athlete)
    columns = (athlete.c[name] for name in AthleteFacts._fields)
    rows = await scope.rows(scope.select(*columns, of=[Athlete]).where(athlete.c.id.in_(set(athletes))))
    return {row.id: AthleteFacts._make(row) for row in rows}
