"""Foods over HTTP: finding, own foods, recipes, and meals logged as foods, totals or both."""

from typing import Any

import pytest

from tests.api.conftest import Api, days_ago, faults

DAY = days_ago(2)
LABEL: dict[str, Any] = {
    "name": "Oat drink, barista", "group": "drink", "diet": "vegan", "allergens": ["gluten"],
    "per_100g": {"energy_kcal": 59, "protein_g": 1.0, "fat_g": 3.0, "carbohydrate_g": 7.0, "fibre_g": 0.8},
    "unit": {"name": "glass", "grams": 200}, "source": "the label",
}  # fmt: skip


def named(**changes: Any) -> dict[str, Any]:
    named.count += 1  # type: ignore[attr-defined]
    return {**LABEL, "name": f"Oat drink {named.count}", **changes}  # type: ignore[attr-defined]


named.count = 0  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("typed", "meant"),
    [("chiken brest", "chicken-breast"), ("zuchini", "courgette"), ("brocoli", "broccoli"), ("salmn", "salmon"),
     ("yogurt greek", "yoghurt-greek"), ("lentls", "lentils"), ("bluberries", "blueberries"), ("soy milk", "soya-milk"),
     ("ground beef", "beef-mince"), ("sweet potatos", "sweet-potato"), ("tempe", "tempeh")],
)  # fmt: skip
def test_a_food_is_found_in_spite_of_typing_errors(api: Api, typed: str, meant: str) -> None:
    found = api("GET", "/foods", params={"q": typed, "limit": 3}).json()["items"]
    assert found and found[0]["slug"].startswith(meant)


def test_nonsense_finds_nothing(api: Api) -> None:
    assert api("GET", "/foods", params={"q": "xqzzt"}).json()["items"] == []


def test_the_list_pages_through_every_food_once(api: Api) -> None:
    slugs = [food["slug"] for food in api.all("/foods?limit=50")]
    assert len(slugs) >= 150 and slugs == sorted(set(slugs))
    assert api("GET", "/foods?cursor=zzz").status_code == 400


def test_a_food_shows_state_unit_allergens_and_source(api: Api) -> None:
    egg = api("GET", "/foods/egg-boiled").json()
    assert egg["unit"] == {"name": "egg", "grams": 50.0} and egg["allergens"] == ["egg"] and egg["state"] == "cooked"
    assert "USDA" in egg["source"] and egg["raw"] == "egg-raw"
    assert api("GET", "/foods/tempeh").json()["per_100g"]["fibre_g"] is None  # unknown is not none
    vegan = api.all("/foods?diet=vegan&without=soya&without=gluten")
    assert faults(api("GET", "/foods?without=glutn")) == {"without": "unknown_food"}  # an allergy is not lost to a typo
    assert vegan and all(food["diet"] == "vegan" and not {"soya", "gluten"} & set(food["allergens"]) for food in vegan)


def test_an_own_food_is_added_found_changed_and_removed(api: Api) -> None:
    body = named()
    made = api("POST", "/foods", body)
    assert made.status_code == 201, made.text
    slug = made.json()["slug"]
    assert slug.startswith("own-oat-drink") and made.headers["etag"] == '"r1"'
    assert made.json()["energy_difference_kcal"] == pytest.approx(59 - (4 * 8 + 27), abs=0.05)
    assert api("POST", "/foods", body).status_code == 409
    assert api("GET", "/foods", params={"q": body["name"]}).json()["items"][0]["slug"] == slug
    assert api("PATCH", f"/foods/{slug}", {"allergens": []}).status_code == 428
    changed = api("PATCH", f"/foods/{slug}", {"allergens": ["gluten", "nuts"]}, headers={"if-match": '"r1"'})
    assert changed.json()["allergens"] == ["gluten", "nuts"] and changed.headers["etag"] == '"r2"'
    assert api("PATCH", f"/foods/{slug}", {"diet": "vegan"}, headers={"if-match": '"r1"'}).status_code == 412
    stranger = api.stranger()
    assert stranger("GET", f"/foods/{slug}").status_code == 404
    assert stranger("DELETE", f"/foods/{slug}").status_code == 404
    assert stranger("GET", "/foods", params={"q": body["name"], "limit": 1}).json()["items"][:1] != [changed.json()]
    assert api("DELETE", f"/foods/{slug}").status_code == 204
    assert api("GET", f"/foods/{slug}").status_code == 404


def test_every_fault_of_an_own_food_is_named(api: Api) -> None:
    bad = named(group="rocks", diet="carnivore", allergens=["dust"])
    assert faults(api("POST", "/foods", bad)).keys() == {"/group", "/diet", "/allergens/0"}
    heavy = named(per_100g={"energy_kcal": 500, "protein_g": 60, "fat_g": 40, "carbohydrate_g": 20})
    assert faults(api("POST", "/foods", heavy)) == {"/per_100g": "over_100_g"}
    assert faults(api("POST", "/foods", {key: value for key, value in named().items() if key != "allergens"})) == {
        "/allergens": "missing"  # nobody is told that a food is free of allergens because nobody was asked
    }


def test_the_catalogue_itself_cannot_be_changed(api: Api) -> None:
    assert api("DELETE", "/foods/egg-boiled").status_code == 404
    assert api("PATCH", "/foods/egg-boiled", {"name": "x"}, headers={"if-match": "*"}).status_code == 404


def test_keys_need_their_scopes(api: Api) -> None:
    reader = api.key_of("entries:read")
    assert reader("GET", "/foods?limit=1").status_code == 200
    assert reader("POST", "/foods", named()).status_code == 403
    assert api.key_of("coaching:write")("GET", "/foods").status_code == 403


def test_a_recipe_is_the_sum_of_its_ingredients_and_passes_their_allergens_on(api: Api) -> None:
    drink = api("POST", "/foods", named()).json()["slug"]
    body = {
        "name": f"Overnight oats {drink}",
        "ingredients": [
            {"food": "oats-dry", "grams": 80},
            {"food": drink, "grams": 200},
            {"food": "honey", "grams": 20},
        ],
        "yield_g": 320,
    }
    made = api("POST", "/recipes", body)
    assert made.status_code == 201, made.text
    dish = made.json()
    oats, honey = api("GET", "/foods/oats-dry").json()["per_100g"], api("GET", "/foods/honey").json()["per_100g"]
    energy = 0.8 * oats["energy_kcal"] + 2.0 * 59 + 0.2 * honey["energy_kcal"]
    assert dish["per_100g"]["energy_kcal"] == pytest.approx(energy / 3.2, abs=0.01)
    assert dish["allergens"] == ["gluten"] and dish["diet"] == "vegetarian"
    assert dish in api.all("/recipes")
    assert api("DELETE", f"/foods/{drink}").status_code == 409  # the recipe is made with it
    again = {**body, "name": "x", "ingredients": [{"food": dish["slug"], "grams": 1}, {"food": "moss", "grams": 1}]}
    assert faults(api("POST", "/recipes", again)).keys() == {"/ingredients/0/food", "/ingredients/1/food"}
    path = f"/recipes/{dish['slug']}"
    changed = api("PATCH", path, {"yield_g": 300}, headers={"if-match": '"r1"'})
    assert changed.json()["per_100g"]["energy_kcal"] == pytest.approx(energy / 3.0, abs=0.01)
    assert api("PATCH", f"/foods/{dish['slug']}", {"yield_g": 1}, headers={"if-match": "*"}).status_code in (404, 422)


def test_a_meal_as_foods_is_added_up(api: Api, home: str) -> None:
    foods = [{"food": "egg-boiled", "units": 2}, {"food": "bread-rye", "units": 1}, {"food": "butter", "grams": 10}]
    meal = api("POST", f"{home}/meals", {"date": DAY, "ref": "m", "foods": foods}).json()
    # USDA SR28, kcal per 100 g: 155 of a boiled egg, 259 of rye bread, 717 of butter; an egg 50 g, a slice 32 g
    assert meal["energy_kcal"] == pytest.approx(155 + 0.32 * 259 + 71.7, abs=0.01)
    assert meal["protein_g"] == pytest.approx(12.58 + 0.32 * 8.5 + 0.085, abs=0.01)
    assert [item["grams"] for item in meal["from_foods"]["items"]] == [100, 32, 10]
    assert meal["difference"] is None and meal["suspect"] is None
    again = api("POST", f"{home}/meals", {"date": DAY, "ref": "m", "foods": foods})
    assert again.status_code == 200 and again.json()["revision"] == 1
    day = api("GET", f"{home}/adherence?from={DAY}&to={DAY}").json()["days"][0]
    assert day["energy_kcal"] == pytest.approx(meal["energy_kcal"], abs=0.06)


def test_totals_beside_foods_count_and_the_difference_is_shown(api: Api, home: str) -> None:
    body = {"date": DAY, "energy_kcal": 400, "foods": [{"food": "egg-boiled", "units": 2}]}
    meal = api("POST", f"{home}/meals", body).json()
    assert meal["energy_kcal"] == 400 and meal["given"] == {"energy_kcal": 400}
    assert meal["difference"] == {"energy_kcal": 245.0} and meal["from_foods"]["totals"]["energy_kcal"] == 155.0
    assert meal["protein_g"] == pytest.approx(12.58)  # not said: the foods'
    path = f"{home}/meals/{meal['id']}"
    more = api("PATCH", path, {"foods": [{"food": "egg-boiled", "units": 3}]}).json()
    assert more["difference"] == {"energy_kcal": 167.5} and more["protein_g"] == pytest.approx(18.87)
    only_foods = api("PATCH", path, {"energy_kcal": None}).json()
    assert only_foods["energy_kcal"] == 232.5 and only_foods["difference"] is None
    only_totals = api("PATCH", path, {"foods": None, "energy_kcal": 300}).json()
    assert only_totals["energy_kcal"] == 300 and only_totals["foods"] is None and only_totals["from_foods"] is None


def test_faults_of_foods_in_a_meal(api: Api, home: str) -> None:
    def refused(foods: Any) -> dict[str, str]:
        return faults(api("POST", f"{home}/meals", {"date": DAY, "foods": foods}))

    assert refused([{"food": "moss", "grams": 5}]) == {"/foods/0": "unknown_food"}
    assert refused([{"food": "cod-cooked", "units": 1}]) == {"/foods/0": "no_units"}
    assert refused([{"food": "egg-boiled"}]) == {"/foods/0": "one_amount"}
    assert refused([{"food": "egg-boiled", "grams": 50, "units": 1}]) == {"/foods/0": "one_amount"}
    assert refused([]) == {"/foods": "too_short"}
    assert faults(api("POST", f"{home}/meals", {"date": DAY, "protein_g": 30})) == {"": "one_unit"}


def test_a_meal_that_names_a_food_before_it_is_known_is_doubted_until_then(api: Api, home: str) -> None:
    body = named()
    slug = "own-" + body["name"].lower().replace(" ", "-")
    foods = [{"food": "egg-boiled", "units": 1}, {"food": slug, "units": 1}]
    meal = api("POST", f"{home}/meals", {"date": DAY, "foods": foods}).json()
    assert meal["suspect"]["reason"] == "unknown_food" and meal["from_foods"]["unknown"] == [slug]
    day = f"{home}/adherence?from={DAY}&to={DAY}"
    assert api("GET", day).json()["days"][0]["energy_kcal"] is None  # a part of a meal is no log
    assert api("POST", "/foods", body).json()["slug"] == slug
    known = api("GET", f"{home}/meals").json()["items"][0]
    assert known["suspect"] is None and known["energy_kcal"] == 77.5 + 118
    assert api("GET", day).json()["days"][0]["energy_kcal"] == 195.5
    label = {"per_100g": {**body["per_100g"], "energy_kcal": 80}}
    assert api("PATCH", f"/foods/{slug}", label, headers={"if-match": '"r1"'}).status_code == 200
    api("POST", f"{home}/meals", {"date": DAY, "energy_kcal": 10})  # brings the day up to date again
    assert api("GET", f"{home}/meals").json()["items"][0]["energy_kcal"] == 195.5  # what was eaten was eaten


def test_meals_as_foods_come_by_import(api: Api) -> None:
    athlete = api.athlete()
    line = (
        f'{{"type":"meal","athlete":"{athlete["external_id"]}","date":"{DAY}","foods":[{{"food":"FOOD","grams":150}}]}}'
    )
    run = api.load("\n".join([line.replace("FOOD", "cod-cooked"), line.replace("FOOD", "moss")]))
    assert run["lines_kept"] == 1 and [fault["code"] for fault in run["faults"]] == ["unknown_food"]
    meals = api("GET", f"/athletes/{athlete['id']}/meals").json()["items"]
    assert [meal["energy_kcal"] for meal in meals] == [157.5]
