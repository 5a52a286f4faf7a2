"""Measurements of body composition: tape, skinfolds, a scan, or a value from elsewhere."""

from collections.abc import Mapping
from typing import Annotated, Any, Self

from pydantic import Field, model_validator

from service.api.entries import EntryAnswer, EntryBody, EntryKind
from service.api.entry_routes import entry_routes
from service.api.http.fields import CM_PER_IN, Body, Number, fault
from service.store import tables
from service.store.types import MeasurementMethod

Girth = Annotated[Number, Field(gt=0, le=300)]
GirthInches = Annotated[Number, Field(gt=0, le=118)]
Fold = Annotated[Number, Field(gt=0, le=150)]


class Tape(Body):
    """Circumferences, all in centimetres or all in inches. Men: neck and abdomen; women: neck, waist and hip."""

    neck_cm: Girth | None = None
    abdomen_cm: Girth | None = None
    waist_cm: Girth | None = None
    hip_cm: Girth | None = None
    neck_in: GirthInches | None = None
    abdomen_in: GirthInches | None = None
    waist_in: GirthInches | None = None
    hip_in: GirthInches | None = None

    @model_validator(mode="after")
    def _one_unit(self) -> Self:
        for name in ("neck", "abdomen", "waist", "hip"):
            if getattr(self, f"{name}_cm") is not None and getattr(self, f"{name}_in") is not None:
                raise fault("one_unit", f"give one of {name}_cm and {name}_in")
        return self

    def centimetres(self) -> dict[str, float]:
        """Girths by site."""
        said = self.model_dump(exclude_none=True)
        return {
            name.removesuffix("_in").removesuffix("_cm") + "_cm": round(value * CM_PER_IN, 6)
            if name.endswith("_in")
            else value
            for name, value in said.items()
        }


class Skinfolds(Body):
    """Skinfolds in millimetres; which ones are needed depends on the method."""

    chest_mm: Fold | None = None
    abdomen_mm: Fold | None = None
    thigh_mm: Fold | None = None
    triceps_mm: Fold | None = None
    suprailiac_mm: Fold | None = None
    midaxillary_mm: Fold | None = None
    subscapular_mm: Fold | None = None
    biceps_mm: Fold | None = None


class MeasurementBody(EntryBody):
    """Give `body_fat_pct` as read, or the sites it is to be computed from.

    `skinfold_3` and `skinfold_7` are the Jackson–Pollock sums for the athlete's sex, `skinfold_4` Durnin–Womersley.
    """

    method: MeasurementMethod
    body_fat_pct: Annotated[Number, Field(ge=2, le=70)] | None = None
    body_fat_se_pct: (
        Annotated[
            Number, Field(ge=0.5, le=10, description="standard error of the reading; the method's own by default")
        ]
        | None
    ) = None
    tape: Tape | None = None
    skinfolds: Skinfolds | None = None

    @model_validator(mode="after")
    def _something_measured(self) -> Self:
        if self.method in ("scan", "impedance", "given", "skinfold") and self.body_fat_pct is None:
            raise fault("missing", f"the method {self.method} needs body_fat_pct")
        if self.method == "tape" and self.tape is None and self.body_fat_pct is None:
            raise fault("missing", "the method tape needs tape girths or body_fat_pct")
        if self.method.startswith("skinfold_") and self.skinfolds is None and self.body_fat_pct is None:
            raise fault("missing", f"the method {self.method} needs skinfolds or body_fat_pct")
        return self

    def columns(self) -> dict[str, Any]:
        """Sites in centimetres and millimetres; the computed value comes with the roll-up."""
        sites = {
            "tape": self.tape.centimetres() if self.tape else None,
            "skinfolds": self.skinfolds.model_dump(exclude_none=True) if self.skinfolds else None,
        }
        said = {name: value for name, value in sites.items() if value}
        return {
            "method": self.method,
            "sites": said or None,
            "given_body_fat_pct": self.body_fat_pct,
            "given_body_fat_se_pct": self.body_fat_se_pct,
        }

    @classmethod
    def said_by(cls, columns: Mapping[str, Any]) -> dict[str, Any]:
        """The body that would have made this content."""
        return {
            "method": columns["method"],
            "body_fat_pct": columns["given_body_fat_pct"],
            "body_fat_se_pct": columns.get("given_body_fat_se_pct"),
            **(columns["sites"] or {}),
        }


class Measurement(EntryAnswer):
    """A stored measurement with the body fat it comes to and its standard error."""

    method: str
    sites: dict[str, dict[str, float]] | None = None
    given_body_fat_pct: float | None = None
    given_body_fat_se_pct: float | None = None
    body_fat_pct: float | None = None
    body_fat_se_pct: float | None = None


KIND = EntryKind(tables.Measurement, MeasurementBody, Measurement, "measurements", "measurement")
router = entry_routes(KIND)
