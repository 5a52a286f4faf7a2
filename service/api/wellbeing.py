"""Wellbeing notes: sleep, hunger, fatigue, symptoms, menstruation, pain."""

from collections.abc import Mapping
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from service.api.entries import COMMON, EntryAnswer, EntryBody, EntryKind
from service.api.entry_routes import entry_routes
from service.api.http.fields import Body, Number, WholeNumber, fault
from service.api.training_sessions import Caution, ExerciseSlug, Symptoms
from service.application.log.cautions import caution
from service.domain.evidence import Region
from service.store import tables

Scale = Annotated[WholeNumber, Field(ge=1, le=5)]


class PainNote(Body):
    """Pain on an exercise, in a region of the body, or both: 0 (none) to 10."""

    exercise: ExerciseSlug | None = None
    region: Region | None = None
    level: Annotated[WholeNumber, Field(ge=0, le=10)]

    @model_validator(mode="after")
    def _placed(self) -> Self:
        if self.exercise is None and self.region is None:
            raise fault("no_place", "say where: give an exercise or a region, or both")
        return self


class WellbeingBody(EntryBody):
    """How the athlete is; everything is optional."""

    sleep_h: Annotated[Number, Field(ge=0, le=24)] | None = None
    hunger: Scale | None = None
    fatigue: Scale | None = None
    symptoms: Symptoms | None = None
    menstruation: Literal["started"] | None = None
    months_without_menstruation: Annotated[Number, Field(ge=0, le=240)] | None = None
    pain: Annotated[list[PainNote], Field(max_length=50)] | None = None

    def columns(self) -> dict[str, Any]:
        """What was said, as one document."""
        content = self.model_dump(mode="json", exclude=set(COMMON), exclude_none=True)
        return {"content": content, "menstruation_started": self.menstruation == "started"}

    @classmethod
    def said_by(cls, columns: Mapping[str, Any]) -> dict[str, Any]:
        """The body that would have made this content."""
        return dict(columns["content"])


class WellbeingNote(EntryAnswer):
    """A stored wellbeing note."""

    sleep_h: float | None = None
    hunger: int | None = None
    fatigue: int | None = None
    symptoms: list[str] | None = None
    menstruation: str | None = None
    months_without_menstruation: float | None = None
    pain: list[dict[str, Any]] | None = None
    caution: Caution | None = None

    @model_validator(mode="before")
    @classmethod
    def _unpack(cls, columns: Any) -> Any:
        if isinstance(columns, Mapping) and "content" in columns:
            return {**columns, **columns["content"]}
        return columns


def _caution(columns: Mapping[str, Any]) -> str | None:
    content = columns["content"]
    return caution(content.get("symptoms", ()), (pain["level"] for pain in content.get("pain", ())))


KIND = EntryKind(tables.WellbeingNote, WellbeingBody, WellbeingNote, "wellbeing", "wellbeing note", _caution)
router = entry_routes(KIND)
