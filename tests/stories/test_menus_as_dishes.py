"""Menus as people eat: dishes, a swap at the kitchen table, amounts for who logs less than they eat."""

import json
from typing import Any

import pytest

from tests.api.conftest import Api, days_ago, faults, today
from tests.api.in_a_cut import CLEAN

WOMAN = {"sex": "female", "birth_date": "1996-03-04", "height_cm": 168, "activity_factor": 1.6, "time_zone": "UTC"}
TARGETS = {"energy_kcal": 2200, "protein_g": 120, "fat_g": 75, "carbohydrate_g": 261, "fibre_g": 30}
SWEET, SAVOURY = {"fruit", "dried-fruit", "sweet"}, {"meat", "poultry", "fish", "shellfish", "vegetable", "tuber"}


@pytest.fixture(scope="module")
def groups(api: Api) -> dict[str, str]:
    """The group of each food."""
    return {food["slug"]: food["group"] for food in api.all("/foods?limit=1000")}


def taken_on(api: Api, **changes: Any) -> str:
    """The path of a woman of 62 kg who answered the screening."""
    home = f"/athletes/{api.athlete(**{**WOMAN, **changes})['id']}"
    assert api("PUT", f"{home}/screening", CLEAN).status_code in (200, 201)
    assert api("POST", f"{home}/weigh-ins", {"date": days_ago(1), "mass_kg": 62.0}).status_code == 201
    return home


def menus(api: Api, home: str, **more: Any) -> dict[str, Any]:
    answer = api("POST", f"{home}/menus", {"targets": TARGETS, "days": 3, **more})
    assert answer.status_code == 200, answer.text
    made: dict[str, Any] = answer.json()
    return made


def courses(meal: dict[str, Any]) -> list[list[dict[str, Any]]]:
    """The foods of each of a meal's dishes."""
    return [[item for item in meal["items"] if item["dish"] == dish["dish"]] for dish in meal["dishes"]]


@pytest.mark.parametrize("pattern", ["omnivore", "vegetarian", "vegan"])
def test_three_days_are_dishes_that_somebody_would_cook(api: Api, groups: dict[str, str], pattern: str) -> None:
    made = menus(api, taken_on(api), pattern=pattern)
    titles = []
    for day in made["days"]:
        assert abs(day["totals"]["energy_kcal"] - 2200) <= 0.03 * 2200
        assert day["totals"]["protein_g"] >= 120 - 0.05
        for meal in day["meals"]:
            assert [dish["course"] for dish in meal["dishes"]].count("dish") == 1
            titles.append(meal["dishes"][0]["title"])
            for items in courses(meal):
                here = {groups[item["food"]] for item in items}
                assert not (here & SWEET and here & SAVOURY), items
            roles = {item["role"] for item in courses(meal)[0]}
            assert roles & {"vegetable", "fruit"} and roles & {"seasoning", "sauce", "spice", "dressing"}
            assert roles & {"protein", "dairy", "pulse", "milk", "cheese", "fat"}
    assert len(set(titles)) == len(titles), "no dish came twice"


def test_she_does_not_want_the_fish_and_keeps_the_day(api: Api, groups: dict[str, str]) -> None:
    home = taken_on(api)
    for seed in range(1, 40):  # until fish comes up
        (day,) = menus(api, home, days=1, seed=seed, prefer=["fish"])["days"]
        fish = [
            (meal["slot"], item["food"])
            for meal in day["meals"]
            for item in meal["items"]
            if groups[item["food"]] == "fish" and item["role"] == "protein" and meal["slot"] > 1
        ]
        if fish:
            break
    slot, food = fish[0]
    names = ("food", "grams", "dish", "role")
    meals = [
        {"slot": meal["slot"], "items": [{name: item[name] for name in names} for item in meal["items"]]}
        for meal in day["meals"]
    ]
    body = {"targets": day["targets_logged"], "meals": meals, "replace": {"slot": slot, "food": food}}
    answer = api("POST", f"{home}/menus/swap", body)
    assert answer.status_code == 200, answer.text
    (other,) = answer.json()["days"]
    before = {item["food"] for meal in day["meals"] for item in meal["items"]}
    after = {item["food"] for meal in other["meals"] for item in meal["items"]}
    assert before - after == {food} and len(after - before) == 1
    assert abs(other["totals"]["energy_kcal"] - 2200) <= 0.03 * 2200 and other["totals"]["protein_g"] >= 119.9


def test_who_logs_less_than_they_eat_gets_more_on_the_plate_and_is_told_why(api: Api) -> None:
    """Five weeks of steady weight at 1700 logged kcal, where 62 kg at this activity hold on about 2100."""
    home = taken_on(api)
    name = api("GET", home).json()["external_id"]
    lines: list[dict[str, Any]] = []
    for day in range(35, 0, -1):
        on = days_ago(day)
        lines.append({"type": "weigh_in", "date": on, "mass_kg": 62.0 + 0.2 * (day % 2)})
        lines.append({"type": "meal", "date": on, "energy_kcal": 1700, "protein_g": 100})
        lines.append({"type": "food_day", "date": on, "state": "complete"})
    done = api.load("\n".join(json.dumps({**line, "athlete": name}) for line in lines))
    assert (done["state"], [fault["code"] for fault in done["faults"]]) in (("done", []), ("done", ["duplicate"])), done
    low = {"energy_kcal": 1650, "protein_g": 110, "fat_g": 55, "carbohydrate_g": 179}
    made = menus(api, home, targets=low, days=1)
    (day,), scale = made["days"], made["logging_scale"]
    assert 1.08 <= scale["ratio"] <= 1.4
    assert day["targets_logged"]["energy_kcal"] == 1650
    weighed = day["targets_weighed"]
    assert weighed["energy_kcal"] == pytest.approx(1650 * scale["ratio"], abs=2) and weighed["protein_g"] == 110
    assert abs(day["totals"]["energy_kcal"] - weighed["energy_kcal"]) <= 0.03 * weighed["energy_kcal"]
    assert "1650 kcal" in scale["statement"] and f"{weighed['energy_kcal']:.0f} kcal" in scale["statement"]


def test_without_a_food_log_nobody_is_presumed_to_log_too_little(api: Api) -> None:
    made = menus(api, taken_on(api), days=1)
    assert made["logging_scale"]["ratio"] == 1.0 and "without a food log" in made["logging_scale"]["statement"]
    assert made["days"][0]["targets_weighed"] == made["days"][0]["targets_logged"]


def test_on_day_one_what_is_missing_is_named(api: Api) -> None:
    bare = api.athlete()
    missing = faults(api("POST", f"/athletes/{bare['id']}/menus", {"days": 1}))
    assert missing.pop("/targets") == "missing"
    assert missing.keys() == {f"/athlete/{fact}" for fact in ("mass_kg", "activity_factor", "screening", "phase")}
    home = taken_on(api)
    without = {"/targets": "missing", "/athlete/phase": "missing"}
    assert faults(api("POST", f"{home}/menus", {"days": 1, "from": str(today())})) == without


def test_a_phase_that_has_energy_alone_gets_protein_for_the_body_in_it(api: Api) -> None:
    """At least 1.6 g of protein per kg of body mass (Morton 2018, 10.1136/bjsports-2017-097608)."""
    athlete = api.athlete(**WOMAN)
    home = f"/athletes/{athlete['id']}"
    assert api("PUT", f"{home}/screening", CLEAN).status_code in (200, 201)
    assert api("POST", f"{home}/weigh-ins", {"date": days_ago(1), "mass_kg": 62.0}).status_code == 201
    line = {"type": "phase", "athlete": athlete["external_id"], "kind": "maintain", "starts_on": days_ago(7)}
    assert api.load(json.dumps({**line, "energy_kcal": 2100}))["faults"] == []
    made = api("POST", f"{home}/menus", {"from": str(today()), "days": 1})
    assert made.status_code == 200, made.text
    day = made.json()["days"][0]
    assert day["totals"]["protein_g"] >= 1.6 * 62.0
    assert day["targets_weighed"]["protein_g"] >= 1.6 * 62.0
