"""The food catalogue against its source, Atwater arithmetic, and sums by hand."""

import pytest

from service.catalogue.foods import foods
from service.domain.nutrition.foods import (
    ALLERGENS,
    DIETS,
    ROLES,
    Food,
    Nutrients,
    Portion,
    Unit,
    broadest_diet,
    mixture,
    total,
)
from tests.reference import usda_sr28

SOURCE = usda_sr28.read()
ROWS = {row["slug"]: row for row in usda_sr28.catalogue_rows()}
NUTRIENTS = tuple(usda_sr28.NUTRIENTS.values())
PLANTS = ("legume", "soya", "grain", "bread", "tuber", "vegetable", "fruit", "dried-fruit", "nut", "seed", "seitan")
ANIMALS = ("meat", "poultry", "fish", "shellfish", "egg", "dairy")

# Rows whose energy the general factors miss by more than 10 % and 5 kcal. The source has lower factors for plant foods,
# whose fibre and protein yield less: vegetables 2.44 and 3.57, fruit 3.36 and 3.60, soya 3.47 and 4.07 kcal/g
# (Merrill & Watt 1973, USDA Handbook 74; the factors stand in FOOD_DES), herbs and spices likewise.
EXCEPTIONS = set(
    """
    tofu-firm tofu-extra-firm soya-protein-isolate oat-bran broccoli-raw broccoli-boiled spinach-raw spinach-boiled
    kale-raw kale-boiled cauliflower-raw green-beans-boiled brussels-sprouts-boiled red-cabbage-raw asparagus-boiled
    aubergine-boiled tomato-paste rocket-raw mushrooms-raw mushrooms-boiled butternut-baked sweetcorn-boiled
    artichoke-boiled apple pear banana clementine kiwi peach nectarine apricot blueberries raspberries blackberries
    cherries grapes mango pineapple pomegranate fig dates raisins apricots-dried prunes cocoa mustard salsa
    vinegar vinegar-wine vinegar-balsamic bean-sprouts-raw tomato-passata ketchup lemon-juice lime-juice capers
    horseradish parsley basil dill chives mint rosemary thyme spring-onion oregano cinnamon cumin curry-powder paprika
    chilli-powder pepper-black
    """.split()  # noqa: SIM905
)  # vinegar: acetic acid gives energy and is no carbohydrate
NOT_BY_ITS_FACTORS_KCAL = {
    "14096": 1.1,
    "18060": 1.2,
    "18216": 1.1,
    "20133": 3.1,
}  # the source misses itself by so much


def share(source: str) -> float:
    """ "USDA SR28 48052 x 0.35 in water": 0.35."""
    return float(source.split(" x ")[1].split()[0]) if " x " in source else 1.0


def test_there_are_150_foods_and_more_of_every_kind_that_lifters_eat() -> None:
    assert len(ROWS) == len(foods()) >= 150
    by_group = {group: sum(row["group"] == group for row in ROWS.values()) for group in {*PLANTS, *ANIMALS}}
    assert all(count >= 1 for count in by_group.values()), by_group


@pytest.mark.parametrize("slug", ROWS)
def test_a_row_is_that_of_its_source(slug: str) -> None:
    """USDA SR28 (public domain), the lines beside `usda_sr28.py`."""
    row = ROWS[slug]
    numbers = usda_sr28.numbers_of(row["source"])
    assert len(numbers) == 1
    per_100g = SOURCE[numbers[0]].per_100g
    for name in NUTRIENTS:
        expected = per_100g.get(name)
        if expected is None or (name, expected) == ("alcohol_g", 0.0):
            assert row[name] == ""
        else:
            assert float(row[name]) == pytest.approx(share(row["source"]) * expected, abs=0.005)


@pytest.mark.parametrize("slug", [slug for slug, row in ROWS.items() if row["unit_g"]])
def test_a_units_weight_is_one_of_the_sources(slug: str) -> None:
    row = ROWS[slug]
    weights = SOURCE[usda_sr28.numbers_of(row["source"])[0]].units_g
    assert any(weight == pytest.approx(float(row["unit_g"]), abs=0.6) for weight in weights), weights


@pytest.mark.parametrize("number", [number for number, food in SOURCE.items() if food.factors is not None])
def test_the_sources_energy_is_that_of_its_own_factors(number: str) -> None:
    """Energy = Σ factor × nutrient with the factors in FOOD_DES; the source rounds it to whole kilocalories."""
    food = SOURCE[number]
    made = food.energy_from_factors_kcal()
    assert food.per_100g["energy_kcal"] == pytest.approx(made, abs=NOT_BY_ITS_FACTORS_KCAL.get(number, 1.0))


@pytest.mark.parametrize("slug", ROWS)
def test_general_atwater_factors_give_the_energy_or_the_row_is_an_exception(slug: str) -> None:
    """4 kcal/g protein and carbohydrate, 9 fat, 7 alcohol (21 CFR 101.9(c)(1)(i); FAO Food and Nutrition Paper 77)."""
    food = foods()[slug]
    made = food.per_100g
    atwater = 4 * made.protein_g + 4 * made.carbohydrate_g + 9 * made.fat_g + 7 * made.alcohol_g
    near = abs(atwater - made.energy_kcal) <= max(5.0, 0.10 * made.energy_kcal)
    assert near == (slug not in EXCEPTIONS)


@pytest.mark.parametrize("slug", ROWS)
def test_a_row_makes_sense(slug: str) -> None:
    food = foods()[slug]
    made = food.per_100g
    assert made.protein_g + made.fat_g + made.carbohydrate_g + made.alcohol_g <= 100.5
    assert made.fibre_g <= made.carbohydrate_g + 0.05
    assert food.allergens <= set(ALLERGENS)
    if food.raw is not None:
        raw = foods()[food.raw]
        assert raw.state in ("raw", "dry") and food.state == "cooked"
        assert food.allergens >= raw.allergens and food.diet == raw.diet
    if food.portion is not None:
        assert food.portion.role in ROLES and 0 < food.portion.step <= food.portion.least <= food.portion.most
        assert food.portion.most % food.portion.step == pytest.approx(0.0)
        most_g = food.grams(food.portion.most) if food.unit else food.portion.most
        assert most_g <= 450.0, "no absurd portions"
        eaten_raw = ("fruit", "vegetable", "fat", "grain", "protein-powder", "herb")
        assert food.state not in ("raw", "dry") or food.group in eaten_raw or food.portion.role == "seasoning"


BY_NAME = {
    **dict.fromkeys(("pasta", "wheat", "barley", "rye", "oats", "bulgur", "couscous", "seitan"), "gluten"),
    **dict.fromkeys(("tahini", "sesame"), "sesame"), "whey": "milk", "lupins": "lupin", "celery": "celery",
}  # fmt: skip


def test_animal_foods_are_no_vegan_foods_and_allergens_follow_the_group() -> None:
    must = {"fish": "fish", "egg": "egg", "dairy": "milk", "soya": "soya", "seitan": "gluten"}
    for slug, allergen in (("soy-sauce", "gluten"), ("tamari", "soya"), ("fish-sauce", "fish"), ("miso", "soya"),
                           ("egg-scrambled", "milk"), ("egg-noodles-cooked", "egg"), ("pesto", "nuts"),
                           ("curry-powder", "mustard"), ("broth-vegetable", "celery")):  # fmt: skip
        assert allergen in foods()[slug].allergens
    for food in foods().values():
        if food.group in ("meat", "poultry", "fish", "shellfish"):
            assert food.diet == "omnivore"
        if food.group in ("egg", "dairy"):
            assert food.diet != "vegan"
        if food.group in must:
            assert must[food.group] in food.allergens
        if food.group == "shellfish":
            assert food.allergens & {"crustaceans", "molluscs"}
        if food.group == "nut":
            assert food.allergens & {"nuts", "peanuts"}
        words = set(food.slug.split("-"))
        for word, allergen in BY_NAME.items():
            assert word not in words or allergen in food.allergens, (food.slug, allergen)


def test_sums_by_hand() -> None:
    egg, rye = foods()["egg-boiled"], foods()["bread-rye"]
    meal = total([egg.nutrients(egg.grams(2)), rye.nutrients(rye.grams(1))])
    assert meal.energy_kcal == pytest.approx(155.0 + 0.32 * 259.0)
    assert meal.protein_g == pytest.approx(12.58 + 0.32 * 8.5)
    with pytest.raises(ValueError, match="units"):
        foods()["olive-oil"].grams(1)


def test_a_recipe_has_the_energy_of_what_goes_in_whatever_it_weighs() -> None:
    rice = foods()["rice-white-dry"]
    cooked = mixture([(rice, 100.0)], yield_g=280.0)
    assert cooked.energy_kcal * 2.8 == pytest.approx(365.0)
    assert cooked.energy_kcal == pytest.approx(foods()["rice-white-cooked"].per_100g.energy_kcal, rel=0.02)
    with pytest.raises(ValueError, match="weight"):
        mixture([])
    assert broadest_diet([rice, foods()["honey"]]) == "vegetarian" and DIETS[0] == "vegan"


def test_what_is_bought_for_a_cooked_food_has_its_protein() -> None:
    chicken, raw = foods()["chicken-breast-cooked"], foods()["chicken-breast-raw"]
    bought = chicken.bought_grams(200.0, raw)
    assert raw.nutrients(bought).protein_g == pytest.approx(chicken.nutrients(200.0).protein_g)
    assert bought == pytest.approx(200.0 * 31.02 / 22.5)
    lentils = foods()["lentils-boiled"]
    assert lentils.bought_grams(250.0, foods()["lentils-dry"]) == pytest.approx(250.0 * 9.02 / 24.63, abs=0.5)


def test_a_word_means_slug_group_allergen_raw_form_and_ingredient() -> None:
    tofu = foods()["tofu-firm"]
    assert tofu.called("soya") and tofu.called("tofu-firm") and not tofu.called("gluten")
    assert foods()["salmon-wild-cooked"].called("salmon-wild-raw")
    dish = Food("own-x", "x", "recipe", "cooked", "vegan", frozenset(), Nutrients(), "", unit=Unit("cup", 240.0),
                portion=Portion("main", 1, 2, 1), made_of=frozenset({"tofu-firm", "soya"}))  # fmt: skip
    assert dish.called("tofu-firm") and dish.called("soya") and not dish.called("oats-dry")
