"""Facts of athletes by which entries are judged and computed."""

import uuid
from collections.abc import Iterable
from datetime import date
from typing import NamedTuple

from service.store.prepared import Among, PreparedStatement
from service.store.scope import Scope, of_practice, table_of
from service.store.tables import Athlete
from service.store.types import Sex


class AthleteFacts(NamedTuple):
    """What the roll-ups of an athlete's entries rest on."""

    id: uuid.UUID
    height_cm: float
    sex: Sex
    birth_date: date


_ATHLETE = table_of(Athlete)
_FACTS = PreparedStatement(
    of_practice(*(_ATHLETE.c[name] for name in AthleteFacts._fields), of=[Athlete]).where(
        Among(_ATHLETE.c.id, "athletes")
    )
)


async def facts_of(scope: Scope, athletes: Iterable[uuid.UUID]) -> dict[uuid.UUID, AthleteFacts]:
    """The facts of some athletes, by id."""
    wanted = set(athletes)
    if wanted <= scope.held.keys():
        return {athlete: _facts(scope.held[athlete]) for athlete in wanted}
    return {row.id: _facts(row) for row in await scope.fetch(_FACTS, athletes=wanted)}


def _facts(row: Athlete) -> AthleteFacts:
    return AthleteFacts(row.id, row.height_cm, row.sex, row.birth_date)
