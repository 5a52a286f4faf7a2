"""Restrictions: a region of the body that hurts or is injured, until a licensed professional has cleared it."""

import uuid
from dataclasses import dataclass
from datetime import date
from typing import Literal

from service.application.log.stale import mark_stale
from service.domain.evidence import Region
from service.errors import Conflict, NotFound, PreconditionFailed
from service.store.scope import Scope, table_of
from service.store.tables import Restriction
from service.store.types import BodySide, now

Outcome = Literal["created", "revised", "unchanged"]
_RESTRICTION = table_of(Restriction)


@dataclass(frozen=True)
class RestrictionSaid:
    """What is said of a restriction; `level` 0–10; who cleared it stands beside when."""

    region: Region
    side: BodySide | None
    since: date
    level: float
    note: str | None
    cleared_on: date | None
    cleared_by: str | None

    @classmethod
    def of(cls, restriction: Restriction) -> "RestrictionSaid":
        """A stored one."""
        return cls(**{name: getattr(restriction, name) for name in cls.__dataclass_fields__})


async def find_restriction(scope: Scope, athlete_id: uuid.UUID, restriction_id: uuid.UUID) -> Restriction:
    """One restriction of an athlete.

    Raises NotFound when there is none of this id.
    """
    named = scope.select(Restriction).where(
        _RESTRICTION.c.athlete_id == athlete_id, _RESTRICTION.c.id == restriction_id
    )
    restriction = await scope.one(Restriction, named)
    if restriction is None:
        raise NotFound()
    return restriction


async def add_restriction(scope: Scope, athlete_id: uuid.UUID, said: RestrictionSaid) -> tuple[Restriction, Outcome]:
    """Store a new restriction; the same again is left as it is. Reviews from its first day on are marked stale.

    Raises Conflict where the region and side have another one since that day.
    """
    twin = await _twin(scope, athlete_id, said)
    if twin is not None and RestrictionSaid.of(twin) == said:
        return twin, "unchanged"
    if twin is not None:
        raise Conflict(f"there is a restriction of this region since {said.since} already; change that one")
    return await _insert(scope, athlete_id, said), "created"


async def put_restriction(scope: Scope, athlete_id: uuid.UUID, said: RestrictionSaid) -> Outcome:
    """Store a restriction, or change that of the same region, side and first day to what is said; what became of it."""
    twin = await _twin(scope, athlete_id, said)
    if twin is None:
        await _insert(scope, athlete_id, said)
        return "created"
    if RestrictionSaid.of(twin) == said:
        return "unchanged"
    await change_restriction(scope, twin, said)
    return "revised"


async def change_restriction(scope: Scope, stored: Restriction, said: RestrictionSaid) -> Restriction:
    """Make a stored restriction what is said.

    Raises Conflict as `add_restriction`, and PreconditionFailed when somebody else changed it since it was read.
    """
    twin = await _twin(scope, stored.athlete_id, said)
    if twin is not None and twin.id != stored.id:
        raise Conflict(f"there is another restriction of this region since {said.since}")
    values = {**vars(said), "revision": stored.revision + 1, "updated_at": now()}
    same = scope.update(Restriction).where(_RESTRICTION.c.id == stored.id, _RESTRICTION.c.revision == stored.revision)
    changed = await scope.one(Restriction, same.values(**values).returning(_RESTRICTION))
    if changed is None:
        raise PreconditionFailed()
    await mark_stale(scope, {(stored.athlete_id, min(stored.since, said.since))})
    return changed


async def delete_restriction(scope: Scope, stored: Restriction) -> None:
    """Take out a restriction that was entered by mistake."""
    await scope.run(scope.delete(Restriction).where(_RESTRICTION.c.id == stored.id))
    await mark_stale(scope, {(stored.athlete_id, stored.since)})


async def _insert(scope: Scope, athlete_id: uuid.UUID, said: RestrictionSaid) -> Restriction:
    restriction = Restriction(practice_id=scope.practice_id, athlete_id=athlete_id, **vars(said))
    await scope.insert(Restriction, [restriction.model_dump()])
    await mark_stale(scope, {(athlete_id, said.since)})
    return restriction


async def _twin(scope: Scope, athlete_id: uuid.UUID, said: RestrictionSaid) -> Restriction | None:
    """The restriction of the same region, side and first day."""
    same = scope.select(Restriction).where(
        _RESTRICTION.c.athlete_id == athlete_id,
        _RESTRICTION.c.region == said.region,
        _RESTRICTION.c.side.is_(None) if said.side is None else _RESTRICTION.c.side == said.side,
        _RESTRICTION.c.since == said.since,
    )
    return await scope.one(Restriction, same)
