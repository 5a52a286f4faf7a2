"""What crosses into the log and comes back: outcomes, confirmation, and an entry that two change at once."""

import datetime as dt
import uuid
from typing import Any

import pytest
from sqlalchemy.exc import IntegrityError

from service.application.log.entries import (
    History,
    LoggedEntry,
    NewEntry,
    change_entry,
    delete_entry,
    find_entry,
    store_entries,
)
from service.store.engine import Database
from service.store.scope import Scope
from service.store.tables import Athlete, EntryRevision, WeighIn
from service.store.types import new_id

DAY = dt.date(2026, 3, 1)
HISTORY = History(None, lambda entry: {"mass_kg": entry.content["mass_kg"]})


async def _athlete(scope: Scope) -> uuid.UUID:
    row = {"id": new_id(), "external_id": "a", "sex": "male", "birth_date": dt.date(1990, 5, 2), "height_cm": 182.0}
    await scope.insert(Athlete, [row])
    return row["id"]


def _said(athlete: uuid.UUID, mass_kg: float, day: int = 0, **more: Any) -> NewEntry:
    said = {"at": None, "ref": f"r-{day}", "note": None, **more}
    return NewEntry(athlete, DAY + dt.timedelta(days=day), content={"mass_kg": mass_kg}, **said)


async def _stored(scope: Scope, *said: NewEntry) -> list[tuple[str, LoggedEntry]]:
    return [(item.outcome, item.entry) for item in await store_entries(scope, WeighIn, said, HISTORY)]


async def test_what_is_said_again_is_unchanged_and_what_differs_is_a_revision(
    database: Database, practice: uuid.UUID
) -> None:
    async with database.writing() as connection:
        scope = Scope(connection, practice)
        athlete = await _athlete(scope)
        ((_, first),) = await _stored(scope, _said(athlete, 82.0))
        outcomes = await _stored(scope, _said(athlete, 82.0), _said(athlete, 82.5, 1), _said(athlete, 82.0, ref=None))
        assert [outcome for outcome, _ in outcomes] == ["unchanged", "created", "created"]
        ((outcome, second),) = await _stored(scope, _said(athlete, 82.0, note="after breakfast"))
        assert (outcome, second.id, second.revision, second.note) == ("revised", first.id, 2, "after breakfast")
        assert await find_entry(scope, WeighIn, athlete, first.id) == second
        (kept,) = await scope.rows(scope.select(EntryRevision))
        assert (kept.revision, kept.kind, kept.content, kept.replaced_by) == (
            1,
            "weigh_in",
            {"mass_kg": 82.0},
            "change",
        )


async def test_a_confirmed_entry_stays_so_until_it_measures_something_else(
    database: Database, practice: uuid.UUID
) -> None:
    async with database.writing() as connection:
        scope = Scope(connection, practice)
        athlete = await _athlete(scope)
        await _stored(scope, *(_said(athlete, 82.0, day) for day in range(8)))
        odd = _said(athlete, 180.0, 8)
        ((_, suspect),) = await _stored(scope, odd)
        assert suspect.suspect is not None and suspect.suspect["reason"] == "pounds_for_kilograms"
        confirmed = await change_entry(scope, WeighIn, suspect, odd, HISTORY, confirmed=True)
        assert confirmed.confirmed and confirmed.suspect is None
        ((_, noted),) = await _stored(scope, _said(athlete, 180.0, 8, note="yes, really"))
        assert noted.confirmed and noted.suspect is None
        ((_, other),) = await _stored(scope, _said(athlete, 181.0, 8))
        assert not other.confirmed and other.suspect is not None


async def test_who_read_an_older_revision_changes_nothing(database: Database, practice: uuid.UUID) -> None:
    async with database.writing() as connection:
        scope = Scope(connection, practice)
        athlete = await _athlete(scope)
        ((_, old),) = await _stored(scope, _said(athlete, 82.0))
        newer = await change_entry(scope, WeighIn, old, _said(athlete, 82.4), HISTORY, confirmed=False)
        with pytest.raises(IntegrityError):
            async with connection.begin_nested():
                await change_entry(scope, WeighIn, old, _said(athlete, 83.0), HISTORY, confirmed=False)
        assert await find_entry(scope, WeighIn, athlete, old.id) == newer
        await delete_entry(scope, WeighIn, newer, HISTORY)
        assert await find_entry(scope, WeighIn, athlete, old.id) is None
