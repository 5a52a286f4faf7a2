"""What menus look like in answers."""

from collections.abc import Mapping
from datetime import date
from math import ceil

from service.api.day_targets import DayTargets
from service.api.http.fields import Answer
from service.application.food import menu_orders
from service.application.food.menu_orders import Menus
from service.application.food.menu_program import PlannedMeal, Relaxed
from service.application.food.menus import Infeasible, MenuDay, nutrients_of
from service.domain.nutrition.dishes import Course
from service.domain.nutrition.foods import Food, Nutrients
from service.errors import Fault, Invalid


class MenuItem(Answer):
    """A food in a meal, in the state that it is eaten in, and its role in a dish."""

    food: str
    name: str
    grams: float
    units: float | None
    unit: str | None
    dish: str
    role: str


class MenuDish(Answer):
    """A dish, what stands beside it, or what comes after it."""

    dish: str
    title: str
    course: Course


class NutrientSums(Answer):
    """Sums of foods."""

    energy_kcal: float
    protein_g: float
    fat_g: float
    carbohydrate_g: float
    fibre_g: float
    alcohol_g: float


class MenuMeal(NutrientSums):
    """A meal: its dishes, its foods, and their sums."""

    slot: int
    dishes: list[MenuDish]
    items: list[MenuItem]


class MenuOfDay(Answer):
    """A day's meals, their sums with what is behind of a day under way, and what they are held against.

    Of targets and of what was eaten, `logged` is as the athlete logs and `weighed` as it is weighed out; menus and
    totals are weighed out.
    """

    date: date
    meals: list[MenuMeal]
    eaten_logged: NutrientSums | None
    eaten_weighed: NutrientSums | None
    totals: NutrientSums
    targets_logged: DayTargets
    targets_weighed: DayTargets


class Purchase(Answer):
    """What to buy."""

    food: str
    name: str
    grams: float


class ShoppingLine(Answer):
    """A food with its grams as eaten, and what to buy where that is another: raw for cooked, on the same protein."""

    food: str
    name: str
    grams: float
    buy: Purchase | None


class LoggingScaleAnswer(Answer):
    """How much more is weighed out than is logged, and why."""

    ratio: float
    statement: str


class MenuAnswer(Answer):
    """Menus and the shopping list."""

    days: list[MenuOfDay]
    shopping: list[ShoppingLine]
    eating_window: dict[str, str] | None
    logging_scale: LoggingScaleAnswer
    cautions: list[str]
    seed: int


def shown_menus(menus: Menus, foods: Mapping[str, Food], seed: int) -> MenuAnswer:
    """Menus as an answer shows them."""
    days = [
        _shown_day(day, targets, menus.eaten if index == 0 else None)
        for index, (day, targets) in enumerate(zip(menus.days, menus.targets, strict=True))
    ]
    return MenuAnswer(
        days=days,
        shopping=[_shopping_line(food, grams, foods) for food, grams in menus.shopping],
        eating_window=menus.eating_window and dict(menus.eating_window),
        logging_scale=LoggingScaleAnswer(ratio=round(menus.ratio, 3), statement=menus.why),
        cautions=list(menus.cautions),
        seed=seed,
    )


def _shown_day(day: MenuDay, targets: menu_orders.DayTargets, eaten: menu_orders.Eaten | None) -> MenuOfDay:
    planned = nutrients_of(day.items)
    behind = eaten.weighed if eaten else Nutrients()
    sums = {name: round(value + getattr(behind, name), 1) for name, value in vars(planned).items()}
    return MenuOfDay(
        date=day.date,
        meals=[_shown_meal(meal) for meal in day.menu.meals],
        eaten_logged=NutrientSums.model_validate(eaten.logged.rounded()) if eaten else None,
        eaten_weighed=NutrientSums.model_validate(eaten.weighed.rounded()) if eaten else None,
        totals=NutrientSums(**sums),
        targets_logged=DayTargets.model_validate(targets.logged),
        targets_weighed=DayTargets.model_validate(targets.weighed),
    )


def _shown_meal(meal: PlannedMeal) -> MenuMeal:
    items = [
        MenuItem(
            food=item.food.slug,
            name=item.food.name,
            grams=round(item.grams, 1),
            units=item.units,
            unit=item.food.unit.name if item.food.unit else None,
            dish=served.dish.slug,
            role=item.role,
        )
        for served in meal.dishes
        for item in served.items
    ]
    dishes = [MenuDish(dish=one.dish.slug, title=one.title, course=one.dish.course) for one in meal.dishes]
    return MenuMeal(slot=meal.slot, dishes=dishes, items=items, **vars(nutrients_of(meal.items).rounded()))


def _shopping_line(food: Food, grams: float, foods: Mapping[str, Food]) -> ShoppingLine:
    raw = foods.get(food.raw) if food.raw else None
    buy = raw and Purchase(food=raw.slug, name=raw.name, grams=round(food.bought_grams(grams, raw)))
    return ShoppingLine(food=food.slug, name=food.name, grams=round(grams, 1), buy=buy)


def infeasible(none: Infeasible) -> Invalid:
    """That no menu keeps the limits, and which would have to move, by how much."""
    relax = [_shown_relaxed(limit) for limit in none.relax]
    moves = "; ".join(
        f"{limit['limit']} {str(limit['side']).replace('_', ' ')} {limit['value']:g} moved to {limit['to']:g}"
        for limit in relax
    )
    detail = f"no menu of these foods keeps the limits of {none.date}"
    detail += f"; there is one with {moves}" if relax else ", whatever limit is moved: allow more foods"
    faults = [Fault(pointer="/targets", code="infeasible", detail=detail)]
    return Invalid(detail, faults, code="infeasible", date=none.date.isoformat(), relax=relax)


def _shown_relaxed(relaxed: Relaxed) -> dict[str, str | float]:
    """How far a limit has to move: down for what must be reached, up for what must not be passed; rounded outward."""
    scale = 1.0 if "energy" in relaxed.limit else 10.0
    by = ceil(relaxed.by * scale) / scale * (-1.0 if relaxed.side == "at_least" else 1.0)
    return {
        "limit": relaxed.limit,
        "side": relaxed.side,
        "value": round(relaxed.value, 1),
        "by": by,
        "to": round(relaxed.value + by, 1),
    }
