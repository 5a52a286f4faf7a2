"""Carries that were logged and planned in repetitions are in metres, and back; thresholds that are gone leave."""

import datetime as dt
from typing import Any

import pytest
from alembic import command
from sqlalchemy import select
from sqlmodel import SQLModel

from service.store import tables
from service.store.migrate import _config, sync_engine, upgrade
from service.store.scope import table_of
from service.store.types import new_id
from tests.store.earlier import insert_then

DAY = dt.date(2026, 3, 1)
THRESHOLDS = {"carbohydrate_share": 0.6, "eating_window_h": 9, "fat_min_g_per_kg": 0.7}
SQUAT = {"exercise": "back-squat", "load_kg": 100, "reps": 5}


def _rows() -> list[tuple[type[SQLModel], dict[str, Any]]]:
    practice, athlete = tables.Practice(name="One"), new_id()
    mine = {"practice_id": practice.id, "athlete_id": athlete}
    person = {"external_id": "a", "sex": "female", "birth_date": dt.date(1994, 5, 2), "height_cm": 168.0}
    planned = {"exercise": "suitcase-carry", "sets": 2, "reps": {"from": 10, "to": 15}, "rir": 2}
    sets = [SQUAT, {"exercise": "farmers-carry", "load_kg": 24, "reps": 30}]
    return [
        (tables.Practice, practice.model_dump()),
        (tables.Athlete, {"practice_id": practice.id, "id": athlete, **person}),
        (tables.TrainingSession, {**mine, "date": DAY, "sets": sets}),
        (tables.TrainingPlan, {**mine, "from_date": DAY, "name": "A", "days": [{"name": "A", "exercises": [planned]}]}),
        (tables.PolicyVersion, {"practice_id": practice.id, "about": "practice", "version": 1, "changes": THRESHOLDS}),
    ]


@pytest.mark.parametrize("way_back", [False, True])
def test_carries_count_metres_from_now_on(empty_database_url: str, way_back: bool) -> None:
    upgrade(empty_database_url, "0007")
    engine = sync_engine(empty_database_url)
    with engine.begin() as connection:
        for table, row in _rows():
            insert_then(connection, table, row)
    for move, revision in [(command.upgrade, "0008"), *([(command.downgrade, "0007")] if way_back else [])]:
        with engine.begin() as connection:
            config = _config()
            config.attributes["connection"] = connection
            move(config, revision)
    with engine.begin() as connection:
        sets = connection.execute(select(table_of(tables.TrainingSession).c.sets)).scalar()
        days = connection.execute(select(table_of(tables.TrainingPlan).c.days)).scalar()
        changes = connection.execute(select(table_of(tables.PolicyVersion).c.changes)).scalar()
    assert changes == {"fat_min_g_per_kg": 0.7}
    name = "reps" if way_back else "distance_m"
    assert sets == [SQUAT, {"exercise": "farmers-carry", "load_kg": 24, name: 30}]
    (planned,) = days[0]["exercises"]
    assert planned[name] == ({"from": 10, "to": 15} if way_back else {"from": 20, "to": 40}) and planned["sets"] == 2
    engine.dispose()
