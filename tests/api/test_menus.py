"""Menus, food preferences and the day split over HTTP: contract, safety, exclusions, days under way, NDJSON."""

import json
from typing import Any

import pytest

from tests.api.conftest import Api, days_ago, faults, today

TARGETS = {"energy_kcal": 2500, "protein_g": 130, "fat_g": 80, "carbohydrate_g": 315, "fibre_g": 35}
ANSWERED = {
    "pregnant_or_breastfeeding": False, "eating_disorder_history": False, "kidney_disease": False,
    "heart_or_metabolic_disease": False, "glucose_lowering_medication": "none",
}  # fmt: skip
FEW_DATA = ["data.few_food_days", "data.few_weigh_ins", "limit.step", "energy.too_soon"]
ONE = {"days": 1, "targets": TARGETS}


def screened(api: Api, **changes: Any) -> str:
    """The path of a new athlete of 75 kg with these answers."""
    athlete = api.athlete(
        sex="female" if changes.get("pregnant_or_breastfeeding") else "male",
        height_cm=180,
        **({} if "birth_date" not in changes else {"birth_date": changes.pop("birth_date")}),
    )
    home = f"/athletes/{athlete['id']}"
    assert api("PUT", f"{home}/screening", {**ANSWERED, **changes}).status_code == 200
    weights = [{"date": days_ago(day), "mass_kg": 75.0} for day in range(10)]
    assert api("POST", f"{home}/weigh-ins", weights).status_code == 201
    return home


@pytest.fixture(scope="module")
def home(api: Api) -> str:
    return screened(api)


def test_a_menu_keeps_its_contract(api: Api, home: str) -> None:
    answer = api("POST", f"{home}/menus", {"from": "2026-03-02", "days": 2, "targets": TARGETS, "seed": 3})
    assert answer.status_code == 200, answer.text
    made = answer.json()
    assert [day["date"] for day in made["days"]] == ["2026-03-02", "2026-03-03"] and made["seed"] == 3
    for day in made["days"]:
        assert [meal["slot"] for meal in day["meals"]] == [1, 2, 3]
        for nutrient, total in day["totals"].items():
            parts = sum(meal[nutrient] for meal in day["meals"])
            assert total == pytest.approx(parts, abs=0.16)
        assert abs(day["totals"]["energy_kcal"] - 2500) <= 75 and day["totals"]["protein_g"] >= 129.95
    bought = {line["food"]: line for line in made["shopping"]}
    eaten = {item["food"] for day in made["days"] for meal in day["meals"] for item in meal["items"]}
    assert bought.keys() == eaten
    for line in bought.values():
        food = api("GET", f"/foods/{line['food']}").json()
        assert (line["buy"] or {}).get("food") == food["raw"]
    assert any("labels" in words or "label" in words for words in made["cautions"])


def test_the_same_request_gives_the_same_answer(api: Api, home: str) -> None:
    once, twice = (api("POST", f"{home}/menus", ONE).json() for _ in range(2))
    assert once == twice != api("POST", f"{home}/menus", {**ONE, "seed": 2}).json()


def test_a_week_as_lines(api: Api, home: str) -> None:
    answer = api("POST", f"{home}/menus", {**ONE, "days": 2}, headers={"accept": "application/x-ndjson"})
    assert answer.headers["content-type"].startswith("application/x-ndjson")
    lines = [json.loads(line) for line in answer.text.splitlines()]
    assert [line["type"] for line in lines] == ["menu_day", "menu_day", "shopping_list"] and lines[2]["shopping"]


def test_without_targets_those_in_force_are_used_and_their_meals(api: Api) -> None:
    home = screened(api)
    missing = faults(api("POST", f"{home}/menus", {"days": 1}))
    assert missing == {"/targets": "missing", "/athlete/activity_factor": "missing", "/athlete/phase": "missing"}
    meals = [{"slot": 1, "energy_kcal": 1500, "protein_g": 75}, {"slot": 2, "energy_kcal": 1000, "protein_g": 55}]
    said = {"from_date": days_ago(3), **TARGETS, "meals": meals, "acknowledge": FEW_DATA}
    assert api("POST", f"{home}/targets", said).status_code == 201
    later = str(today().replace(year=today().year + 1))
    assert (
        api(
            "POST", f"{home}/targets", {"from_date": later, **TARGETS, "energy_kcal": 2600, "acknowledge": FEW_DATA}
        ).status_code
        == 201
    )
    day = api("POST", f"{home}/menus", {"days": 1}).json()["days"][0]
    assert day["targets_logged"]["energy_kcal"] == 2500
    assert 1125 <= day["meals"][0]["energy_kcal"] <= 1875 and day["meals"][1]["energy_kcal"] <= 1250
    assert (
        api("POST", f"{home}/menus", {"from": later, "days": 1}).json()["days"][0]["targets_logged"]["energy_kcal"]
        == 2600
    )


def test_none_possible_is_explained(api: Api, home: str) -> None:
    hard = {"energy_kcal": 2000, "protein_g": 225, "fat_g": 60, "carbohydrate_g": 140}
    body = {"days": 1, "targets": hard, "pattern": "vegan", "exclude": ["soya", "gluten", "protein-powder"]}
    answer = api("POST", f"{home}/menus", body)
    assert faults(answer) == {"/targets": "infeasible"}
    told = answer.json()
    assert told["code"] == "infeasible" and told["relax"]
    for one in told["relax"]:
        assert (one["by"] < 0) == (one["side"] == "at_least") and one["to"] == pytest.approx(one["value"] + one["by"])


def test_standing_exclusions_hold_whatever_a_request_says(api: Api) -> None:
    home = screened(api)
    preferences = {"exclude": ["milk", "fish", "nut", "beef-sirloin-raw"], "prefer": ["fruit"], "less": ["sweet"]}
    put = api("PUT", f"{home}/food-preferences", preferences)
    assert put.status_code == 200 and put.headers["etag"] == '"r1"'
    assert api("GET", f"{home}/food-preferences").json() == {**preferences, "revision": 1}
    answer = api("POST", f"{home}/menus", {**ONE, "days": 3, "prefer": ["milk", "fish"], "exclude": ["egg"]}).json()
    for line in answer["shopping"]:
        food = api("GET", f"/foods/{line['food']}").json()
        assert not {"milk", "fish", "egg"} & set(food["allergens"]) and food["group"] != "nut"
    assert faults(api("PUT", f"{home}/food-preferences", {"exclude": ["milkk"]})) == {"/exclude/0": "unknown_food"}
    assert faults(api("POST", f"{home}/menus", {**ONE, "exclude": ["x"], "prefer": ["fruit", "y"]})).keys() == {
        "/exclude/0", "/prefer/1",
    }  # fmt: skip
    assert api("PUT", f"{home}/food-preferences", preferences, headers={"if-match": '"r0"'}).status_code == 412


def test_an_own_food_and_a_recipe_can_stand_in_menus_and_their_allergens_count(api: Api, home: str) -> None:
    portion = {"role": "main", "least": 100, "most": 300, "step": 10}
    dish = api("POST", "/recipes", {
        "name": "Chickpea and peanut stew", "portion": portion,
        "ingredients": [{"food": "chickpeas-boiled", "grams": 500}, {"food": "peanuts", "grams": 100},
                        {"food": "tofu-firm", "grams": 400}, {"food": "tomato-canned", "grams": 300}],
    })  # fmt: skip
    slug = dish.json()["slug"]
    liked = {**ONE, "pattern": "vegan", "prefer": [slug], "seed": 5}
    served = [line["food"] for line in api("POST", f"{home}/menus", {**liked, "days": 3}).json()["shopping"]]
    assert slug in served
    for word in ("peanuts", "tofu-firm", "legume", slug):
        answer = api("POST", f"{home}/menus", {**liked, "exclude": [word]})
        assert slug not in [line["food"] for line in answer.json().get("shopping", [])]


def test_a_day_under_way_is_finished(api: Api, home: str) -> None:
    eaten = {"date": days_ago(0), "energy_kcal": 700, "protein_g": 35, "fat_g": 25, "carbohydrate_g": 80, "fibre_g": 6}
    assert api("POST", f"{home}/meals", eaten).status_code == 201
    body = {**ONE, "from": days_ago(0), "meals_per_day": 3, "meals_left": 2}
    made = api("POST", f"{home}/menus", body).json()
    day, ratio = made["days"][0], made["logging_scale"]["ratio"]
    assert day["eaten_logged"]["energy_kcal"] == 700 and [meal["slot"] for meal in day["meals"]] == [2, 3]
    assert day["eaten_weighed"]["energy_kcal"] == pytest.approx(700 * ratio, abs=0.5)
    assert sum(meal["energy_kcal"] for meal in day["meals"]) == pytest.approx(
        day["totals"]["energy_kcal"] - day["eaten_weighed"]["energy_kcal"], abs=0.2
    )
    weighed = day["targets_weighed"]["energy_kcal"]
    assert weighed == pytest.approx(2500 * ratio, abs=1.5)
    assert abs(day["totals"]["energy_kcal"] - weighed) <= 0.03 * weighed and day["totals"]["protein_g"] >= 129.9
    said = api("POST", f"{home}/menus", {**body, "eaten": {"energy_kcal": 900, "protein_g": 60}}).json()["days"][0]
    assert said["eaten_logged"]["energy_kcal"] == 900
    assert faults(api("POST", f"{home}/menus", {**ONE, "eaten": {"energy_kcal": 1}})) == {"": "meals_left_missing"}


def test_a_split_week_keeps_its_sum(api: Api, home: str) -> None:
    days = ["monday", "wednesday", "friday"]
    split = api("POST", f"{home}/targets/split", {"training_days": days, "targets": {**TARGETS, "energy_kcal": 2300}})
    assert split.status_code == 200, split.text
    told = split.json()
    assert (
        told["week_energy_kcal"] == 7 * 2300 and told["training_day"]["energy_kcal"] > told["rest_day"]["energy_kcal"]
    )
    menus = api(
        "POST", f"{home}/menus", {"from": "2026-03-02", "days": 2, "targets": TARGETS, "training_days": days}
    ).json()
    monday, tuesday = (day["targets_logged"]["energy_kcal"] for day in menus["days"])
    assert monday > 2500 > tuesday


@pytest.mark.parametrize(
    ("answers", "code"),
    [
        ({"pregnant_or_breastfeeding": True}, "safety.pregnancy"),
        ({"eating_disorder_history": True}, "safety.eating_disorder"),
        ({"birth_date": days_ago(365 * 16)}, "safety.minor"),
        ({"kidney_disease": True}, "safety.kidney_disease"),
    ],
)
def test_the_referral_list_gets_a_referral_and_no_menu(api: Api, answers: dict[str, Any], code: str) -> None:
    home = screened(api, **answers)
    generous = {**TARGETS, "energy_kcal": 3200, "carbohydrate_g": 500, "fat_g": 70}
    for path, body in (
        ("menus", {"days": 1, "targets": generous}),
        ("targets/split", {"training_days": ["monday"], "targets": generous}),
    ):
        answer = api("POST", f"{home}/{path}", body)
        assert code in [fault["code"] for fault in answer.json()["errors"]], answer.text
        assert answer.status_code == 422 and answer.json()["code"] == "referral" and "refer" in answer.json()["detail"]


def test_a_clearance_opens_menus_but_sets_no_eating_window(api: Api) -> None:
    home = screened(api)
    window = {"from_date": days_ago(1), **TARGETS, "eating_window": {"from": "12:00", "to": "20:00"}}
    answer = api("POST", f"{home}/targets", {**window, "acknowledge": FEW_DATA})
    assert answer.status_code == 201, answer.text
    clearance = {"for": "deficit", "on": days_ago(0), "by": "Dr A. Example"}
    answers = {**ANSWERED, "eating_disorder_history": True, "clearances": [clearance]}
    assert api("PUT", f"{home}/screening", answers).status_code == 200
    made = api("POST", f"{home}/menus", {"days": 1})
    assert made.status_code == 200, made.text
    assert made.json()["eating_window"] is None and any("referral list" in words for words in made.json()["cautions"])
    again = {**window, "from_date": str(today()), "acknowledge": FEW_DATA}
    assert faults(api("POST", f"{home}/targets", again)) == {"/eating_window": "safety.eating_window"}


def test_kidney_disease_allows_modest_protein_without_a_deficit_and_never_more(api: Api) -> None:
    home = screened(api, kidney_disease=True)
    modest = {"energy_kcal": 3000, "protein_g": 55, "fat_g": 115, "carbohydrate_g": 435}
    made = api("POST", f"{home}/menus", {"days": 2, "targets": modest, "meals_per_day": 3})
    assert made.status_code == 200, made.text
    assert all(55.0 <= day["totals"]["protein_g"] <= 60.0 for day in made.json()["days"])  # 0.8 g/kg of 75 kg


def test_nothing_goes_below_the_energy_floor(api: Api, home: str) -> None:
    low = api("POST", f"{home}/menus", {"days": 1, "targets": {"energy_kcal": 1400}})  # 1500 for men
    assert low.status_code == 422 and low.json()["code"] == "energy_floor"
    assert {fault["code"] for fault in low.json()["errors"]} == {"limit.deficit", "safety.energy_floor"}


def test_a_deficit_that_is_too_large_has_its_own_code(api: Api) -> None:
    deep = api("POST", f"{screened(api)}/menus", {"days": 1, "targets": {"energy_kcal": 1510}})
    assert deep.status_code == 422 and deep.json()["code"] == "deficit_limit"
    assert {fault["code"] for fault in deep.json()["errors"]} == {"limit.deficit"}


def test_unanswered_screening_is_said(api: Api) -> None:
    home = f"/athletes/{api.athlete()['id']}"
    made = api("POST", f"{home}/menus", ONE).json()
    assert any("screening" in words for words in made["cautions"])


def sent_back(day: dict[str, Any]) -> list[dict[str, Any]]:
    """A day's meals as a swap takes them."""
    names = ("food", "grams", "dish", "role")
    return [
        {"slot": meal["slot"], "items": [{name: item[name] for name in names} for item in meal["items"]]}
        for meal in day["meals"]
    ]


def test_one_food_is_swapped_and_the_day_kept(api: Api, home: str) -> None:
    (day,) = api("POST", f"{home}/menus", {**ONE, "seed": 8}).json()["days"]
    meals = sent_back(day)
    gone = next(item for item in meals[1]["items"] if item["role"] in ("protein", "pulse"))
    asked = {"targets": TARGETS, "meals": meals, "replace": {"slot": 2, "food": gone["food"]}}
    answer = api("POST", f"{home}/menus/swap", asked)
    assert answer.status_code == 200, answer.text
    (other,) = answer.json()["days"]
    assert answer.json() == api("POST", f"{home}/menus/swap", asked).json()
    foods = [[item["food"] for item in meal["items"]] for meal in other["meals"]]
    before = [[item["food"] for item in meal["items"]] for meal in day["meals"]]
    assert (set(foods[0]), set(foods[2])) == (set(before[0]), set(before[2])) and gone["food"] not in foods[1]
    assert len(set(foods[1]) - set(before[1])) == 1
    assert other["targets_weighed"] == day["targets_weighed"]
    weighed = other["targets_weighed"]["energy_kcal"]
    assert abs(other["totals"]["energy_kcal"] - weighed) <= 0.03 * weighed and other["totals"]["protein_g"] >= 129.9
    again = {**asked, "replace": {"slot": 2, "food": gone["food"], "by": "jam"}}
    assert faults(api("POST", f"{home}/menus/swap", again)) == {"/replace/by": "no_alternative"}
    hard = {**asked, "targets": {**TARGETS, "protein_g": 260, "carbohydrate_g": 140}}
    none = api("POST", f"{home}/menus/swap", hard)
    assert none.status_code == 422 and none.json()["code"] == "infeasible" and none.json()["relax"]


def test_a_swap_says_what_is_wrong_with_it(api: Api, home: str) -> None:
    (day,) = api("POST", f"{home}/menus", {**ONE, "seed": 8}).json()["days"]
    meals = sent_back(day)
    first = meals[0]["items"][0]["food"]

    def swap(**changes: Any) -> dict[str, str]:
        body = {"targets": TARGETS, "meals": meals, "replace": {"slot": 1, "food": first}, **changes}
        return faults(api("POST", f"{home}/menus/swap", body))

    assert swap(replace={"slot": 3, "food": first}) == {"/replace": "not_in_menu"}
    assert swap(meals=[meals[0], meals[2]]) == {"": "out_of_order"}
    assert swap(eaten={"energy_kcal": 1}) == {"": "nothing_behind"}
    assert swap(exclude=["x"]) == {"/exclude/0": "unknown_food"}
    assert "/meals" in swap(meals=[]) and "/replace/food" in swap(replace={"slot": 1})
    odd = [{**meals[0], "items": [{**meals[0]["items"][0], "dish": "x"}]}, *meals[1:]]
    assert swap(meals=odd)["/meals/0/items/0/dish"] == "unknown_dish"
    low = {"energy_kcal": 1400}
    assert set(swap(targets=low).values()) <= {"limit.deficit", "safety.energy_floor"}


def test_a_swap_for_the_rest_of_a_day_under_way(api: Api) -> None:
    home = screened(api)
    body = {**ONE, "meals_per_day": 3, "meals_left": 2, "eaten": {"energy_kcal": 700, "protein_g": 45}}
    (day,) = api("POST", f"{home}/menus", body).json()["days"]
    meals = sent_back(day)
    flavour = next(item for item in meals[0]["items"] if item["role"] == "seasoning")
    asked = {
        "targets": TARGETS,
        "meals": meals,
        "replace": {"slot": 2, "food": flavour["food"]},
        "eaten": body["eaten"],
    }
    (other,) = api("POST", f"{home}/menus/swap", asked).json()["days"]
    assert [meal["slot"] for meal in other["meals"]] == [2, 3] and other["eaten_logged"]["energy_kcal"] == 700
    assert flavour["food"] not in [item["food"] for item in other["meals"][0]["items"]]


def test_five_meals_a_day(api: Api, home: str) -> None:
    more = {"energy_kcal": 3000, "protein_g": 160, "fat_g": 95, "carbohydrate_g": 376}
    (day,) = api("POST", f"{home}/menus", {"days": 1, "targets": more, "meals_per_day": 5}).json()["days"]
    assert [meal["slot"] for meal in day["meals"]] == [1, 2, 3, 4, 5]


def test_strangers_and_lesser_keys(api: Api, home: str) -> None:
    stranger = api.stranger()
    split = ("POST", "targets/split", {"training_days": ["monday"]})
    for method, path, body in (("POST", "menus", ONE), ("POST", "menus/swap", {}), split,
                               ("GET", "food-preferences", None), ("PUT", "food-preferences", {})):  # fmt: skip
        assert stranger(method, f"{home}/{path}", body).status_code == 404
        assert api.with_key(None)(method, f"{home}/{path}", body).status_code == 401
    assert api.key_of("entries:read")("POST", f"{home}/menus", ONE).status_code == 403
    assert api.key_of("entries:read")("PUT", f"{home}/food-preferences", {}).status_code == 403


def test_every_fault_of_a_request_is_named(api: Api, home: str) -> None:
    bad = {"days": 0, "seed": -1, "targets": {"energy_kcal": "much"}, "pattern": "paleo", "colour": 1}
    assert faults(api("POST", f"{home}/menus", bad)).keys() == {
        "/days", "/seed", "/targets/energy_kcal", "/pattern", "/colour",
    }  # fmt: skip
