"""Strength over HTTP: what is dated later, and the order in which a day's sessions arrive, change no earlier day."""

import json
import random
from datetime import timedelta
from typing import Any

import pytest

from tests.api.conftest import Api, today

DAYS, LATER = 40, 20  # the days looked at, and those after them
STANDING = (("back-squat", 140), ("leg-press", 200))  # none of them a main lift of the catalogue
USUAL = (("romanian-deadlift", 130), ("leg-press", 200))


def session(name: str, day: int, *lifts: tuple[str, float], reps: int = 6, **more: Any) -> dict[str, Any]:
    on = str(today() - timedelta(days=DAYS + LATER - day))
    sets = [{"exercise": exercise, "load_kg": load_kg, "reps": reps, "rir": 2} for exercise, load_kg in lifts]
    return {"type": "training_session", "athlete": name, "date": on, "sets": sets, **more}


def taken_in(api: Api, lines: list[dict[str, Any]]) -> None:
    done = api.load("\n".join(map(json.dumps, lines)))
    assert (done["state"], done["faults"]) == ("done", []), done


def in_a_cut(api: Api, lifts: tuple[tuple[str, float], ...]) -> dict[str, Any]:
    """An invented man in a cut, with a session every third day."""
    rng = random.Random(3)
    athlete = api.athlete(sex="male", birth_date="1995-04-01", height_cm=180, time_zone="UTC")
    name = athlete["external_id"]
    first = today() - timedelta(days=DAYS + LATER)
    phase = {"kind": "cut", "starts_on": str(first + timedelta(days=7)), "energy_kcal": 2100}
    lines = [{"type": "phase", "athlete": name, **phase, "planned_end_on": str(first + timedelta(days=60))}]
    for day in range(DAYS):
        entry = {"athlete": name, "date": str(first + timedelta(days=day))}
        lines.append({"type": "weigh_in", **entry, "mass_kg": round(86 - 0.06 * day + rng.gauss(0, 0.3), 1)})
        if day % 3 == 0:
            lines.append(session(name, day, *lifts, reps=rng.choice([5, 6, 7])))
    taken_in(api, lines)
    return athlete


def estimates(api: Api, athlete: dict[str, Any], days: int, basis: str) -> dict[str, Any]:
    first = today() - timedelta(days=DAYS + LATER)
    query = f"from={first}&to={first + timedelta(days=days - 1)}&basis={basis}"
    answer = api("GET", f"/athletes/{athlete['id']}/estimates?{query}")
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def until(strength: dict[str, Any], days: int) -> dict[str, Any]:
    """The first days of every lift that is known in them."""
    cut = {
        name: {
            "one_rep_max_kg": {part: values[:days] for part, values in one["one_rep_max_kg"].items()},
            "probability_lost": one["probability_lost"][:days],
            "probability_rising": one["probability_rising"][:days],
        }
        for name, one in strength.items()
    }
    return {name: one for name, one in cut.items() if set(one["one_rep_max_kg"]["mean"]) != {None}}


def a_main_lift(api: Api, athlete: dict[str, Any]) -> None:
    taken_in(api, [session(athlete["external_id"], DAYS + day, ("romanian-deadlift", 100)) for day in (3, 6)])


def another_stand_in(api: Api, athlete: dict[str, Any]) -> None:
    taken_in(api, [session(athlete["external_id"], DAYS + day, ("bench-press", 90)) for day in (2, 5)])


def a_plan(api: Api, athlete: dict[str, Any]) -> None:
    """It names a lift that has been trained all along, and drops the other one."""
    day = {
        "name": "A",
        "exercises": [{"exercise": "leg-press", "sets": 3, "reps": {"from": 6, "to": 10}, "main": True}],
    }
    plan = {"from_date": str(today() - timedelta(days=LATER - 4)), "name": "Legs", "days": [day]}
    made = api("POST", f"/athletes/{athlete['id']}/training-plans", plan)
    assert made.status_code == 201, made.text


@pytest.mark.parametrize(
    ("lifts", "later"),
    [(STANDING, a_main_lift), (STANDING, another_stand_in), (STANDING, a_plan), (USUAL, a_plan), (USUAL, a_main_lift)],
)
def test_later_sessions_and_plans_change_no_earlier_day(api: Api, lifts: Any, later: Any) -> None:
    athlete = in_a_cut(api, lifts)
    before = {basis: estimates(api, athlete, DAYS, basis) for basis in ("as_known", "revised")}
    later(api, athlete)
    after = estimates(api, athlete, DAYS + LATER, "as_known")["strength"]
    assert until(after, DAYS) == until(before["as_known"]["strength"], DAYS)
    for basis, found in before.items():  # `to` cuts what counts on either basis
        assert estimates(api, athlete, DAYS, basis) == found


def test_revised_strength_does_use_what_came_later(api: Api) -> None:
    athlete = in_a_cut(api, STANDING)
    before = estimates(api, athlete, DAYS, "revised")["strength"]
    taken_in(api, [session(athlete["external_id"], DAYS + 3, *((name, 1.1 * kg) for name, kg in STANDING))])
    assert until(estimates(api, athlete, DAYS + LATER, "revised")["strength"], DAYS) != until(before, DAYS)


@pytest.mark.parametrize("clock", [False, True])
def test_two_sessions_of_a_day_count_alike_in_either_order(api: Api, clock: bool) -> None:
    """The better one tells what the athlete can lift; the lighter one before or after it does not."""
    found = {}
    for order in ("heavy first", "light first", "heavy alone"):
        athlete = api.athlete(sex="male", birth_date="1995-04-01", height_cm=180, time_zone="UTC")
        name, lines = athlete["external_id"], []
        for day in range(0, DAYS, 3):
            heavy = session(name, day, ("romanian-deadlift", 140))
            light = session(name, day, ("romanian-deadlift", 80), reps=8)
            if clock:
                heavy["at"], light["at"] = (
                    f"{one['date']}T{hour}:00:00Z" for one, hour in ((heavy, "08"), (light, 18))
                )
            two = {"heavy first": [heavy, light], "light first": [light, heavy], "heavy alone": [heavy]}[order]
            lines += two
        taken_in(api, lines)
        found[order] = estimates(api, athlete, DAYS, "as_known")["strength"]
        found[order, "next"] = api("GET", f"/athletes/{athlete['id']}/prescriptions").json()
    assert found["heavy first"] == found["light first"] == found["heavy alone"]
    assert found["heavy first", "next"] == found["light first", "next"]
