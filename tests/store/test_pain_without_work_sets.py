"""Pain that was noted in warm-ups only before it had a roll-up row gets one, and loses it on the way back."""

import datetime as dt
from typing import Any

from alembic import command
from sqlalchemy import Engine, select

from service.store import tables
from service.store.migrate import _config, sync_engine, upgrade
from service.store.scope import table_of
from service.store.types import new_id
from tests.store.earlier import insert_then

DAY = dt.date(2026, 3, 1)
WARM_UP = {"load_kg": 60, "reps": 5, "kind": "warm_up"}
SETS = [
    {"exercise": "back-squat", **WARM_UP, "pain": 4},
    {"exercise": "back-squat", **WARM_UP, "pain": 8},
    {"exercise": "barbell-row", **WARM_UP, "pain": 0},
    {"exercise": "pull-up", "reps": 6, "pain": 2},
    {"exercise": "bench-press", "load_kg": 80, "reps": 5},
]
ROLLED_UP = {
    "body_mass_coefficient": 1.2, "intercept_kg": 0.0, "log_sd": 0.05, "curve_exposure": 0.1, "hard_sets": 1,
    "top_external_kg": 0.0, "top_reps": 6, "pain": 2.0,
}  # fmt: skip


def _move(engine: Engine, move: Any, revision: str) -> None:
    with engine.begin() as connection:
        config = _config()
        config.attributes["connection"] = connection
        move(config, revision)


def test_pain_of_warm_ups_is_kept_from_now_on(empty_database_url: str) -> None:
    upgrade(empty_database_url, "0013")
    engine, lift = sync_engine(empty_database_url), table_of(tables.SessionLift)
    practice, athlete, session = tables.Practice(name="One"), new_id(), new_id()
    mine = {"practice_id": practice.id, "athlete_id": athlete}
    person = {"external_id": "a", "sex": "female", "birth_date": dt.date(1994, 5, 2), "height_cm": 168.0}
    done = {"session_id": session, "exercise": "pull-up", "date": DAY, **ROLLED_UP}
    with engine.begin() as connection:
        insert_then(connection, tables.Practice, practice.model_dump())
        insert_then(connection, tables.Athlete, {"practice_id": practice.id, "id": athlete, **person})
        insert_then(connection, tables.TrainingSession, {**mine, "id": session, "date": DAY, "sets": SETS})
        insert_then(connection, tables.SessionLift, {**mine, **done})
    for move, revision, expected in (
        (command.upgrade, "0014", {"pull-up": (2.0, 1), "back-squat": (8.0, 0)}),
        (command.downgrade, "0013", {"pull-up": (2.0, 1)}),
    ):
        _move(engine, move, revision)
        with engine.begin() as connection:
            rows = connection.execute(select(lift.c.exercise, lift.c.pain, lift.c.hard_sets, lift.c.date)).all()
        assert {row.exercise: (row.pain, row.hard_sets) for row in rows} == expected
        assert {row.date for row in rows} == {DAY}
    engine.dispose()
