"""Weigh-ins: body mass on a scale, in kilograms or pounds."""

from typing import Annotated, Any, Self

from pydantic import Field, model_validator

from service.api.entries import EntryAnswer, EntryBody, EntryKind
from service.api.entry_routes import entry_routes
from service.api.http.fields import KG_PER_LB, Number, fault
from service.store import tables


class WeighInBody(EntryBody):
    """A weigh-in; exactly one unit."""

    mass_kg: Annotated[Number, Field(ge=1, le=1000)] | None = None
    mass_lb: Annotated[Number, Field(ge=2, le=2205)] | None = None

    @model_validator(mode="after")
    def _one_unit(self) -> Self:
        if (self.mass_kg is None) == (self.mass_lb is None):
            raise fault("one_unit", "give exactly one of mass_kg and mass_lb")
        return self

    def columns(self) -> dict[str, Any]:
        """Kilograms."""
        return {"mass_kg": self.mass_kg if self.mass_kg is not None else round((self.mass_lb or 0) * KG_PER_LB, 6)}


class WeighIn(EntryAnswer):
    """A stored weigh-in."""

    mass_kg: float


KIND = EntryKind(tables.WeighIn, WeighInBody, WeighIn, "weigh-ins", "weigh-in")
router = entry_routes(KIND)
