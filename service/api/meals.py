"""Meals: energy and macronutrients of something eaten, as totals, as foods and grams, or as both."""

from collections.abc import Mapping
from typing import Annotated, Any, Self

from pydantic import Field, model_validator

from service.api.entries import EntryAnswer, EntryBody, EntryKind
from service.api.entry_routes import entry_routes
from service.api.http.fields import KCAL_PER_KJ, Answer, Body, Number, ShortText, WholeNumber, fault
from service.application.log.foods import OWN
from service.catalogue.foods import foods as catalogue
from service.domain.nutrition.foods import NUTRIENTS
from service.store import tables

Grams = Annotated[Number, Field(ge=0, le=5000)]


class Eaten(Body):
    """An amount of a food: in grams, or in the units that it comes in."""

    food: ShortText = Field(description="slug from /foods")
    grams: Annotated[Number, Field(gt=0, le=5000)] | None = None
    units: Annotated[Number, Field(gt=0, le=100)] | None = None

    @model_validator(mode="after")
    def _an_amount(self) -> Self:
        if (self.grams is None) == (self.units is None):
            raise fault("one_amount", "give exactly one of grams and units")
        if self.food.startswith(OWN):
            return self  # looked up when it is stored; a slug that nobody knows makes the meal a doubted one
        known = catalogue().get(self.food)
        if known is None:
            raise fault("unknown_food", f"no food of the catalogue is called {self.food!r}; see /foods?q=")
        if self.units is not None and known.unit is None:
            raise fault("no_units", f"{self.food} does not come in units; give grams")
        return self


class MealBody(EntryBody):
    """A meal: energy in exactly one unit, or foods, or both."""

    slot: Annotated[WholeNumber, Field(ge=1, le=12, description="which meal of the day")] | None = None
    energy_kcal: Annotated[Number, Field(ge=0, le=30000)] | None = None
    energy_kj: Annotated[Number, Field(ge=0, le=125520)] | None = None
    protein_g: Grams | None = None
    fat_g: Grams | None = None
    carbohydrate_g: Grams | None = None
    fibre_g: Grams | None = None
    alcohol_g: Grams | None = None
    foods: Annotated[list[Eaten], Field(min_length=1, max_length=50)] | None = Field(
        None, description="what was eaten; totals given beside it count, and their difference is shown"
    )

    @model_validator(mode="after")
    def _one_unit(self) -> Self:
        said = (self.energy_kcal is not None) + (self.energy_kj is not None)
        if said > 1 or (said == 0 and self.foods is None):
            raise fault("one_unit", "give exactly one of energy_kcal and energy_kj, or foods")
        return self

    def columns(self) -> dict[str, Any]:
        """Kilocalories and grams; of a meal given as foods only what was said, its roll-up adds them."""
        values = super().columns()
        kilojoules = values.pop("energy_kj")
        if kilojoules is not None:
            values["energy_kcal"] = round(kilojoules * KCAL_PER_KJ, 6)
        if self.foods is None:
            return {**values, "given": None, "from_foods": None}
        given = {name: values.pop(name) for name in NUTRIENTS}
        given = {name: value for name, value in given.items() if value is not None}
        foods = [one.model_dump(exclude_none=True) for one in self.foods]
        return {**values, **given, "foods": foods, "given": given or None}

    @classmethod
    def said_by(cls, columns: Mapping[str, Any]) -> dict[str, Any]:
        """The body that would have made this content: of a meal given as foods without the sums that were added."""
        said = super().said_by(columns)
        if columns["foods"] is None:
            return said
        return {name: value for name, value in said.items() if name not in NUTRIENTS} | (columns["given"] or {})


class EatenShown(Answer):
    """A food of a meal with what it came to."""

    food: str
    grams: float
    units: float | None = None
    energy_kcal: float


class FromFoods(Answer):
    """What the foods of a meal come to."""

    items: list[EatenShown]
    totals: dict[str, float]
    unknown: list[str] = Field(description="slugs that no food has, or not in units: not part of the sum")


class Meal(EntryAnswer):
    """A stored meal."""

    slot: int | None = None
    energy_kcal: float
    protein_g: float | None = None
    fat_g: float | None = None
    carbohydrate_g: float | None = None
    fibre_g: float | None = None
    alcohol_g: float | None = None
    foods: list[Eaten] | None = None
    given: dict[str, float] | None = Field(None, description="totals said beside foods")
    from_foods: FromFoods | None = None
    difference: dict[str, float] | None = Field(None, description="totals given minus the sum of the foods")

    @model_validator(mode="after")
    def _never_hide_a_difference(self) -> Self:
        if self.given and self.from_foods:
            sums = self.from_foods.totals
            self.difference = {name: round(value - sums[name], 2) for name, value in self.given.items()}
        return self


KIND = EntryKind(tables.Meal, MealBody, Meal, "meals", "meal")
router = entry_routes(KIND)
