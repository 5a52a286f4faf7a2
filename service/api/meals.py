"""Meals: energy and macronutrients of something eaten."""

from typing import Annotated, Any, Self

from pydantic import Field, model_validator

from service.api.entries import EntryAnswer, EntryBody, EntryKind, entry_routes
from service.api.fields import KCAL_PER_KJ, Number, WholeNumber, fault
from service.store import tables

Grams = Annotated[Number, Field(ge=0, le=5000)]


class MealBody(EntryBody):
    """A meal; energy in exactly one unit."""

    slot: Annotated[WholeNumber, Field(ge=1, le=12, description="which meal of the day")] | None = None
    energy_kcal: Annotated[Number, Field(ge=0, le=30000)] | None = None
    energy_kj: Annotated[Number, Field(ge=0, le=125520)] | None = None
    protein_g: Grams | None = None
    fat_g: Grams | None = None
    carbohydrate_g: Grams | None = None
    fibre_g: Grams | None = None
    alcohol_g: Grams | None = None

    @model_validator(mode="after")
    def _one_unit(self) -> Self:
        if (self.energy_kcal is None) == (self.energy_kj is None):
            raise fault("one_unit", "give exactly one of energy_kcal and energy_kj")
        return self

    def columns(self) -> dict[str, Any]:
        """Kilocalories and grams."""
        values = super().columns()
        kilojoules = values.pop("energy_kj")
        if kilojoules is not None:
            values["energy_kcal"] = round(kilojoules * KCAL_PER_KJ, 6)
        return values


class Meal(EntryAnswer):
    """A stored meal."""

    slot: int | None = None
    energy_kcal: float
    protein_g: float | None = None
    fat_g: float | None = None
    carbohydrate_g: float | None = None
    fibre_g: float | None = None
    alcohol_g: float | None = None


KIND = EntryKind(tables.Meal, MealBody, Meal, "meals", "meal")
router = entry_routes(KIND)
