"""A newest weigh-in is judged by the few before it, with the same verdicts as by all there are."""

import datetime as dt
import random
import uuid

import pytest

from service.api import weigh_ins
from service.api.athletes import AthleteBody, insert_athlete
from service.api.entries import new_entry
from service.application.log import masses
from service.application.log.entries import store_entries
from service.domain.plausibility.suspect_readings import Reading, judge_weigh_ins
from service.store.engine import Database
from service.store.scope import Scope, table_of
from service.store.shared_writer import Connection
from service.store.tables import AthleteDay, WeighIn

KIND = weigh_ins.KIND
HEIGHT_CM = 175.0


def untidy(seed: int) -> list[tuple[dt.date, float]]:
    """Weigh-ins in the order of their days, some on one day, at last very many: pounds, slipped digits, pauses."""
    chance, day, mass_kg = random.Random(seed), dt.date(2026, 1, 1), 82.0
    readings = []
    for _ in range(60):
        day += dt.timedelta(days=chance.choice((0, 1, 1, 1, 1, 2, 60 if chance.random() < 0.1 else 1)))
        mass_kg += chance.gauss(0, 0.3) + (9 if chance.random() < 0.04 else 0)
        wrong = chance.choice((1.0,) * 8 + (2.2046, 0.1))
        readings.append((day, round(mass_kg * wrong, 1)))
    return readings + [(day, round(mass_kg + number / 10, 1)) for number in range(masses.LATEST + 2)]


@pytest.mark.parametrize("seed", range(6))
async def test_verdicts_of_newest_weigh_ins_are_those_over_all(
    database: Database, practice: uuid.UUID, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    body = {"external_id": uuid.uuid4().hex, "sex": "male", "birth_date": "1990-05-02", "height_cm": HEIGHT_CM}
    readings, shortcuts, newest = untidy(seed), 0, masses._newest

    async def counted(scope: Scope, days: masses.Days) -> dict[uuid.UUID, masses.Series] | None:
        nonlocal shortcuts
        found = await newest(scope, days)
        shortcuts += found is not None
        return found

    monkeypatch.setattr(masses, "_newest", counted)

    async def add_all(connection: Connection) -> None:
        scope = Scope(connection, practice)
        athlete = await insert_athlete(scope, AthleteBody.model_validate(body))
        row = table_of(WeighIn).c
        logged = scope.select(WeighIn).where(row.athlete_id == athlete.id).order_by(row.date, row.mass_kg)
        rolled_up = scope.select(AthleteDay).where(table_of(AthleteDay).c.athlete_id == athlete.id)
        for day, mass_kg in readings:
            said = KIND.body.model_validate({"date": str(day), "mass_kg": mass_kg})
            await store_entries(scope, KIND.table, [new_entry(athlete, said)], KIND.history(None))
            rows = await scope.all(WeighIn, logged)
            verdicts = judge_weigh_ins([Reading(one.date.toordinal(), one.mass_kg) for one in rows], HEIGHT_CM)
            assert [one.suspect and one.suspect["reason"] for one in rows] == [one and one.reason for one in verdicts]
            accepted = {one.date: one.mass_kg for one in reversed(rows) if one.suspect is None}
            days = {one.date: one.mass_kg for one in await scope.all(AthleteDay, rolled_up)}
            assert days == {one.date: accepted.get(one.date) for one in rows}

    await database.write_small(add_all)
    assert 10 < shortcuts < len(readings)  # both ways were taken
