"""What the athlete says of whole days' food logs."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from uuid import UUID

from service.application.log.days import DayKey
from service.application.log.refresh import refresh
from service.application.log.stale import mark_stale
from service.store import bulk
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
    kept, changed = await compared(scope, declarations)
    await put_declared(scope, changed)
    await refresh(scope, FoodDay, set(changed))
    await mark_stale(scope, set(changed))
    return kept | changed


async def compared(
    scope: Scope, declarations: Mapping[DayKey, Declaration]
) -> tuple[dict[DayKey, DeclaredDay], dict[DayKey, DeclaredDay]]:
    """Declarations that are there already, and those that are new or say something else."""
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
    return kept, changed


async def put_declared(scope: Scope, declared: Mapping[DayKey, DeclaredDay]) -> None:
    """Store declarations, with nothing that follows from them."""
    columns = {name: [getattr(day, name) for day in declared.values()] for name in DeclaredDay.__dataclass_fields__}
    await bulk.upsert(scope, FoodDay, columns, key=("practice_id", "athlete_id", "date"))


async def find_declared(scope: Scope, athlete_id: UUID, day: date) -> FoodDay | None:
    """What was declared of a day, or None."""
    return await scope.one(
        FoodDay, scope.select(FoodDay).where(_TABLE.c.athlete_id == athlete_id, _TABLE.c.date == day)
    )
