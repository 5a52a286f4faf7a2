"""What a roll-up changes on the entries themselves: columns that follow from what was said, never said themselves."""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields

from sqlalchemy import bindparam

from service.store.scope import Scope, Table, table_of
from service.store.tables import Json


@dataclass(frozen=True)
class Verdict:
    """Why an entry is suspect, and what was probably meant; None: it is accepted."""

    suspect: Json | None


@dataclass(frozen=True)
class MealSums:
    """What a meal that was logged as foods comes to; totals that were given beside the foods stay."""

    energy_kcal: float
    protein_g: float | None
    fat_g: float | None
    carbohydrate_g: float | None
    fibre_g: float | None
    alcohol_g: float | None
    from_foods: Json


@dataclass(frozen=True)
class BodyFat:
    """Body fat (percent of body mass) that a measurement comes to and its standard error (points), or None twice."""

    body_fat_pct: float | None
    body_fat_se_pct: float | None


Change = Verdict | MealSums | BodyFat
EntryId = uuid.UUID | str  # of an entry that is not stored yet its digits
Changes = Mapping[EntryId, Sequence[Change]]


async def write_changes(scope: Scope, table: Table, changes: Mapping[EntryId, Change]) -> None:
    """Put changes of one kind on the entries of a table; the revision stays, since nobody said anything new."""
    if not changes:
        return
    names = [field.name for field in fields(next(iter(changes.values())))]
    statement = scope.update(table).where(table_of(table).c.id == bindparam("entry_id"))
    statement = statement.values({name: bindparam(f"new_{name}") for name in names})
    rows = [
        {"entry_id": entry, **{f"new_{name}": getattr(change, name) for name in names}}
        for entry, change in changes.items()
    ]
    await scope.connection.execute(statement, rows)
