"""The roll-ups and doubts follow from the entries that are there, whatever the order in which they came."""

import datetime as dt
import random
import uuid
from typing import Any

import pytest

from service.api import meals, measurements, training_sessions, weigh_ins, wellbeing
from service.api.athletes import AthleteBody, insert_athlete
from service.api.entries import EntryKind, new_entry
from service.application.log.entries import NewEntry, store_entries
from service.application.log.food_days import Declaration, declare
from service.application.log.many_entries import Told, prepare, put
from service.store.engine import Database
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, AthleteDay, EntryRevision, Meal, Review, SessionLift, TrainingSession, WeighIn

START = dt.date(2026, 3, 1)
WEIGH, EAT, TRAIN, MEASURE, FEEL = (
    module.KIND for module in (weigh_ins, meals, training_sessions, measurements, wellbeing)
)
Said = tuple[EntryKind[Any, Any], dict[str, Any]]


def _log(days: int = 30) -> list[Said]:
    """Untidy entries of one athlete: pounds, slipped digits, two weigh-ins a day, a feast for a week, two sessions."""
    chance = random.Random(7)
    said: list[Said] = []
    for day in range(days):
        date = str(START + dt.timedelta(days=day))
        mass = 82 - day * 0.05 + chance.gauss(0, 0.4)
        said.append((WEIGH, {"date": date, "mass_kg": round(mass, 1)}))
        if day % 4 == 0:
            said.append((WEIGH, {"at": f"{date}T06:{day:02d}:00Z", "mass_kg": round(mass + 0.3, 1)}))
        if day % 9 == 5:
            said.append((WEIGH, {"date": date, "mass_kg": round(mass / 0.45359237, 1)}))
        if day % 13 == 6:
            said.append((WEIGH, {"date": date, "mass_kg": round(mass * 10, 1)}))
        for slot in range(1, 4):
            meal = {"date": date, "slot": slot, "energy_kcal": round(chance.uniform(300, 900), 1)}
            if day % 5 or slot != 2:
                meal["protein_g"] = round(chance.uniform(10, 60), 1)
                meal["carbohydrate_g"] = round(chance.uniform(5, 99), 1)
            said.append((EAT, meal))
        if day % 11 == 3:
            said.append((EAT, {"date": date, "energy_kcal": 12000}))
        if day % 3 == 0:
            for exercise in ("romanian-deadlift", "barbell-row"):
                sets = [{"exercise": exercise, "load_kg": 80 + day, "reps": 9 - index, "rir": 2} for index in range(3)]
                said.append((TRAIN, {"date": date, "sets": [*sets, {"exercise": "pull-up", "reps": 8, "rir": 1}]}))
        if day % 9 == 7:
            load = {7: 720, 16: 190, 25: 450}[day]
            said.append((TRAIN, {"date": date, "sets": [{"exercise": "barbell-row", "load_kg": load, "reps": 7}]}))
        if day % 10 == 0:
            said.append((MEASURE, {"date": date, "method": "scan", "body_fat_pct": 22.0 + day / 10}))
            said.append((MEASURE, {"date": date, "method": "tape", "tape": {"neck_cm": 39.5, "abdomen_cm": 91}}))
        if day % 14 == 2:
            said.append((FEEL, {"date": date, "menstruation": "started", "sleep_h": 7}))
    return [(kind, {**body, "ref": f"r-{number}"}) for number, (kind, body) in enumerate(said)]


async def _new_athlete(scope: Scope, **fields: Any) -> Athlete:
    body = {"external_id": uuid.uuid4().hex, "sex": "male", "birth_date": "1990-05-02", "height_cm": 182, **fields}
    return await insert_athlete(scope, AthleteBody.model_validate(body))


def _kind_name(item: Said) -> str:
    return item[0].name


async def _store(scope: Scope, athlete: Athlete, said: list[Said]) -> None:
    """Twelve after twelve in the order given, those of one kind together."""
    said = [item for first in range(0, len(said), 12) for item in sorted(said[first : first + 12], key=_kind_name)]
    batch: list[NewEntry] = []
    for position, (kind, body) in enumerate(said):
        batch.append(new_entry(athlete, kind.body.model_validate(body)))
        if position + 1 == len(said) or said[position + 1][0] is not kind:
            await store_entries(scope, kind.table, batch, kind.history(None))
            batch = []


async def _store_many(scope: Scope, athlete: Athlete, said: list[Said], at_once: int) -> None:
    """As an import does: so many of all kinds together."""
    for first in range(0, len(said), at_once):
        entries: dict[str, list[NewEntry]] = {}
        for kind, body in said[first : first + at_once]:
            entries.setdefault(kind.name, []).append(new_entry(athlete, kind.body.model_validate(body)))
        kinds = {kind.name: kind for kind, _ in said}
        told = {kinds[name].table: Told(new, kinds[name].history(None)) for name, new in entries.items()}
        await put(scope, await prepare(scope, told, {}))


async def _rolled_up(scope: Scope, athlete: Athlete) -> dict[str, Any]:
    """Both roll-ups and every doubt, without the identifiers."""
    found: dict[str, Any] = {}
    for table, order in ((AthleteDay, ("date",)), (SessionLift, ("date", "exercise", "top_external_kg", "top_reps"))):
        columns = table_of(table).c
        rows = await scope.rows(scope.select(table).where(columns.athlete_id == athlete.id))
        without = ("athlete_id", "session_id", "practice_id")
        kept = [{name: value for name, value in row._mapping.items() if name not in without} for row in rows]
        found[table.__tablename__] = sorted(kept, key=lambda row, order=order: [row[name] for name in order])
    for table in (WeighIn, Meal, TrainingSession):
        rows = await scope.rows(scope.select(table).where(table_of(table).c.athlete_id == athlete.id))
        found[table.__tablename__] = {row.ref: row.suspect for row in rows}
    return found


async def test_the_order_of_arrival_does_not_matter(database: Database, practice: uuid.UUID) -> None:
    said = _log()
    results = []
    for seed in range(4):
        order = sorted(said, key=_kind_name)
        if seed > 0:
            random.Random(seed).shuffle(order)
        async with database.writing() as connection:
            scope = Scope(connection, practice)
            athlete = await _new_athlete(scope)
            await _store(scope, athlete, order)
            results.append(await _rolled_up(scope, athlete))
    for at_once in (5, 40, len(said)):
        for order in (said, said[::-1], random.Random(at_once).sample(said, len(said))):
            async with database.writing() as connection:
                scope = Scope(connection, practice)
                athlete = await _new_athlete(scope)
                await _store_many(scope, athlete, order, at_once)
                await _store_many(scope, athlete, order[: at_once // 2], at_once)
                results.append(await _rolled_up(scope, athlete))
                replaced = scope.select(EntryRevision).where(table_of(EntryRevision).c.athlete_id == athlete.id)
                assert await scope.rows(replaced) == []
    first = results[0]
    assert len(first["athlete_day"]) == 30 and len(first["session_lift"]) == 10 * 4 + 3
    reasons = [doubt["reason"] for doubt in first["weigh_in"].values() if doubt]
    assert reasons.count("pounds_for_kilograms") == 3 and reasons.count("slipped_decimal") == 2
    assert sum(doubt is not None for doubt in first["meal"].values()) == 3
    assert sorted(doubt["reason"] for doubt in first["training_session"].values() if doubt) == [
        "implausible_load", "pounds_for_kilograms", "slipped_decimal",
    ]  # fmt: skip
    for other in results[1:]:
        assert other == first


@pytest.mark.parametrize("at_once", [0, 4, 10_000])
async def test_detours_leave_no_trace(database: Database, practice: uuid.UUID, at_once: int) -> None:
    """First something else under the same references, then what is meant: as if that had come at once."""
    said = _log(15)
    chance = random.Random(3)
    detour = []
    for kind, body in said:
        other = dict(body)
        if kind is WEIGH:
            other["mass_kg"] = round(chance.uniform(40, 300), 1)
        elif kind is EAT:
            other["energy_kcal"] = chance.choice([20, 9000])
        elif kind is TRAIN:
            other["sets"] = [{**one, "reps": chance.choice([3, 7, 90])} for one in other["sets"]]
        if "date" in other and chance.random() < 0.5:
            other["date"] = str(START + dt.timedelta(days=chance.randrange(20)))
        detour.append((kind, other))
    async with database.writing() as connection:
        scope = Scope(connection, practice)
        straight, around = await _new_athlete(scope), await _new_athlete(scope)
        await _store(scope, straight, said)
        if at_once:
            both = [*detour, *chance.sample(said, len(said))]
            await _store_many(scope, around, both, at_once)
        else:
            await _store(scope, around, detour)
            chance.shuffle(said)
            await _store(scope, around, said)
        expected, found = await _rolled_up(scope, straight), await _rolled_up(scope, around)
        empty = [day for day in found["athlete_day"] if day["date"] >= START + dt.timedelta(days=15)]
        history = await scope.rows(scope.select(EntryRevision))
    assert found["athlete_day"][: len(expected["athlete_day"])] == expected["athlete_day"]
    assert all(not day["meals"] and day["mass_kg"] is None and not day["sessions"] for day in empty)
    assert {name: found[name] for name in ("session_lift", "weigh_in", "meal", "training_session")} == {
        name: expected[name] for name in ("session_lift", "weigh_in", "meal", "training_session")
    }
    assert len(history) > 50 and {row.replaced_by for row in history} == {"change"}


async def test_a_fast_is_zero_and_a_gap_is_unknown(database: Database, practice: uuid.UUID) -> None:
    async with database.writing() as connection:
        scope = Scope(connection, practice)
        athlete = await _new_athlete(scope)
        states = {"fast": START, "complete": START + dt.timedelta(days=1), "partial": START + dt.timedelta(days=2)}
        await declare(scope, {(athlete.id, day): Declaration(state, None) for state, day in states.items()})
        days = (await _rolled_up(scope, athlete))["athlete_day"]
        assert [day["energy_kcal"] for day in days] == [0.0, None, None]
        await _store(scope, athlete, [(EAT, {"date": str(day), "energy_kcal": 500}) for day in states.values()])
        days = (await _rolled_up(scope, athlete))["athlete_day"]
        assert [day["energy_kcal"] for day in days] == [500] * 3, "a meal on a declared fast is a meal"
        assert [day["protein_g"] for day in days] == [None] * 3


@pytest.mark.parametrize(
    ("field", "value", "error"), [("body_fat_pct", 22.0, None), ("tape", {"neck_cm": 39.5, "abdomen_cm": 91}, None)]
)
async def test_readings_of_one_day_are_fused(
    database: Database, practice: uuid.UUID, field: str, value: Any, error: None
) -> None:
    """Inverse-variance weights: two equal readings keep their value and their standard error falls by √2."""
    body = {"date": str(START), "method": "scan" if field == "body_fat_pct" else "tape", field: value}
    async with database.writing() as connection:
        scope = Scope(connection, practice)
        athlete = await _new_athlete(scope)
        await _store(scope, athlete, [(MEASURE, body)])
        (one,) = (await _rolled_up(scope, athlete))["athlete_day"]
        await _store(scope, athlete, [(MEASURE, body)])
        (two,) = (await _rolled_up(scope, athlete))["athlete_day"]
    assert two["body_fat_pct"] == pytest.approx(one["body_fat_pct"])
    assert two["body_fat_se_pct"] == pytest.approx(one["body_fat_se_pct"] / 2**0.5)


async def test_a_late_entry_marks_the_reviews_that_looked_at_its_day(database: Database, practice: uuid.UUID) -> None:
    async with database.writing() as connection:
        scope = Scope(connection, practice)
        athlete, other = await _new_athlete(scope), await _new_athlete(scope)
        reviews = [
            {
                "athlete_id": who.id, "week": f"2026-W{10 + week}", "as_of": START + dt.timedelta(days=7 * week),
                "action": "hold", "severity": 0, "document": {}, "inputs_digest": "",
            }
            for who in (athlete, other)
            for week in range(3)
        ]  # fmt: skip
        await scope.insert(Review, reviews)
        await _store(scope, athlete, [(WEIGH, {"date": str(START + dt.timedelta(days=7)), "mass_kg": 82, "ref": "x"})])
        rows = await scope.rows(scope.select(Review).order_by(table_of(Review).c.as_of))
        assert [row.stale for row in rows if row.athlete_id == athlete.id] == [False, True, True]
        assert [row.stale for row in rows if row.athlete_id == other.id] == [False] * 3
