"""What the athlete says of whole days' food logs."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from service.application.log.days import DayKey
from service.application.log.refresh import refresh
from service.application.log.stale import mark_stale
from service.store.scope import Scope, table_of
from service.store.tables import FoodDay
from service.store.types import DeclaredFoodDay

_TABLE = table_of(FoodDay)


@dataclass(frozen=True)
class Declaration:
    """What is said of a day: all was logged, something is missing, or nothing was eaten."""

    state: DeclaredFoodDay
    note: str | None


@dataclass(frozen=True)
class DeclaredDay:
    """A stored declaration."""

    athlete_id: UUID
    date: date
    state: DeclaredFoodDay
    note: str | None
    revision: int
    updated_at: datetime


async def declare(scope: Scope, declarations: Mapping[DayKey, Declaration]) -> dict[DayKey, DeclaredDay]:
    """Store declarations and bring the roll-up up to date; the same again changes nothing."""
    athletes, dates = {athlete for athlete, _ in declarations}, [day for _, day in declarations]
    span = (_TABLE.c.athlete_id.in_(athletes), _TABLE.c.date.between(min(dates), max(dates)))
    before = {(row.athlete_id, row.date): row for row in await scope.all(FoodDay, scope.select(FoodDay).where(*span))}
    kept: dict[DayKey, DeclaredDay] = {}
    changed: dict[DayKey, DeclaredDay] = {}
    for (athlete, day), new in declarations.items():
        old = before.get((athlete, day))
        if old is not None and (old.state, old.note) == (new.state, new.note):
            kept[athlete, day] = DeclaredDay(athlete, day, old.state, old.note, old.revision, old.updated_at)
        else:
            revision = 1 + (old.revision if old else 0)
            changed[athlete, day] = DeclaredDay(athlete, day, new.state, new.note, revision, scope.now())
    await scope.upsert(FoodDay, map(vars, changed.values()), key=("practice_id", "athlete_id", "date"))
    await refresh(scope, FoodDay, set(changed))
    await mark_stale(scope, set(changed))
    return kept | changed


async def find_declared(scope: Scope, athlete_id: UUID, day: date) -> FoodDay | None:
    """What was declared of a day, or None."""
    return await scope.one(
        FoodDay, scope.select(FoodDay).where(_TABLE.c.athlete_id == athlete_id, _TABLE.c.date == day)
    )
