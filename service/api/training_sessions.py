"""Training sessions with their sets."""

from collections.abc import Mapping
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import AfterValidator, BaseModel, Field, model_validator

from service.api.entries import EntryAnswer, EntryBody, EntryKind, Suspect
from service.api.entry_routes import entry_routes
from service.api.http.fields import KG_PER_LB, Answer, Body, Name, Note, Number, WholeNumber, fault
from service.application.log.cautions import caution
from service.catalogue.exercises import exercises
from service.domain.evidence import SymptomKind
from service.domain.training.exercise import Count
from service.store import tables


def _known(slug: str) -> str:
    if slug not in exercises():
        raise fault("unknown_exercise", "is not in the exercise catalogue: see GET /v1/exercises")
    return slug


ExerciseSlug = Annotated[str, Field(max_length=64, examples=["romanian-deadlift"]), AfterValidator(_known)]
Symptoms = Annotated[list[SymptomKind], Field(max_length=8)]
Caution = Annotated[str, Field(description="what to do at once, in the answer to an entry with a grave sign")]
Kilograms = Annotated[Number, Field(ge=0, le=1000)]
Pounds = Annotated[Number, Field(ge=0, le=2205)]
_LOADS = ("load", "added", "assistance")


class SetBody(Body):
    """One set. Loaded lifts take `load`; body-weight lifts `added` or `assistance`, in kilograms or pounds.

    What the exercise counts is given: `reps`, `seconds` of a hold, or `distance_m` of a carry (see `/exercises`).
    """

    exercise: ExerciseSlug
    reps: Annotated[WholeNumber, Field(ge=0, le=200)] | None = None
    seconds: Annotated[WholeNumber, Field(ge=0, le=3600)] | None = None
    distance_m: Annotated[Number, Field(ge=0, le=5000)] | None = None
    load_kg: Kilograms | None = None
    load_lb: Pounds | None = None
    added_kg: Kilograms | None = None
    added_lb: Pounds | None = None
    assistance_kg: Kilograms | None = None
    assistance_lb: Pounds | None = None
    rir: Annotated[Number, Field(ge=0, le=10, description="repetitions in reserve")] | None = None
    kind: Literal["warm_up", "work"] | None = None
    aids: Annotated[list[Literal["straps", "belt"]], Field(max_length=4)] | None = None
    pain: Annotated[WholeNumber, Field(ge=0, le=10)] | None = None
    note: Note | None = None

    @model_validator(mode="after")
    def _what_it_counts(self) -> Self:
        counts = exercises()[self.exercise].counts
        given = [name for name in get_args(Count) if getattr(self, name) is not None]
        if not given:
            raise fault("count_missing", f"{self.exercise} needs {counts}")
        if given != [counts]:
            raise fault("wrong_count", f"{self.exercise} counts {counts}, not {' and '.join(given)}")
        return self

    @model_validator(mode="after")
    def _one_load(self) -> Self:
        given = [name for name in (*self._pairs(), *self._pairs("lb")) if getattr(self, name) is not None]
        if len(given) > 1:
            raise fault("one_load", f"give one load, not {' and '.join(given)}")
        body_weight = exercises()[self.exercise].body_mass_share > 0
        if not given and not body_weight:
            raise fault("load_missing", "this exercise needs load_kg or load_lb")
        if given and body_weight == given[0].startswith("load"):
            raise fault(
                "wrong_load",
                f"{self.exercise} takes {'added or assistance' if body_weight else 'load'}, not {given[0]}",
            )
        return self

    @staticmethod
    def _pairs(unit: str = "kg") -> list[str]:
        return [f"{name}_{unit}" for name in _LOADS]

    def stored(self) -> dict[str, Any]:
        """The set in kilograms, without what was not said."""
        values = self.model_dump(mode="json", exclude_none=True)
        for name in _LOADS:
            if f"{name}_lb" in values:
                values[f"{name}_kg"] = round(values.pop(f"{name}_lb") * KG_PER_LB, 6)
        return values


class Skipped(Body):
    """A prescribed exercise that was not done, and why."""

    exercise: ExerciseSlug
    reason: Note | None = None


class TrainingSessionBody(EntryBody):
    """A training session."""

    sets: Annotated[list[SetBody], Field(min_length=1, max_length=200)]
    plan_day: Name | None = Field(None, description="which day of the training plan this was")
    skipped: Annotated[list[Skipped], Field(max_length=20)] | None = None
    deload: bool = Field(False, description="done as a deload")
    symptoms: Symptoms | None = None

    def columns(self) -> dict[str, Any]:
        """Sets in kilograms."""
        values = self.model_dump(mode="json", include={"plan_day", "skipped", "deload", "symptoms"})
        return {"sets": [item.stored() for item in self.sets], **values}


class Set(BaseModel):
    """A stored set."""

    exercise: str
    reps: int | None = None
    seconds: int | None = None
    distance_m: float | None = None
    load_kg: float | None = None
    added_kg: float | None = None
    assistance_kg: float | None = None
    rir: float | None = None
    kind: str | None = None
    aids: list[str] | None = None
    pain: int | None = None
    note: str | None = None


class SuspectSet(Answer):
    """A set that is suspect, and what was probably meant."""

    pointer: Annotated[str, Field(description="which of the sets", examples=["/sets/2"])]
    exercise: str
    reason: str
    best_guess_kg: float | None = Field(None, description="the load, added load or assistance")
    best_guess_reps: int | None = None


class SuspectSession(Suspect):
    """Why a session is suspect; the reason is the first set's. It is kept, but neither measures strength nor leads the
    next prescription until confirmed."""

    sets: list[SuspectSet]


class TrainingSession(EntryAnswer):
    """A stored training session."""

    suspect: SuspectSession | None = None
    sets: list[Set]
    plan_day: str | None = None
    skipped: list[dict[str, Any]] | None = None
    deload: bool = False
    symptoms: list[str] | None = None
    caution: Caution | None = None


def _caution(columns: Mapping[str, Any]) -> str | None:
    return caution(columns["symptoms"] or (), (one.get("pain") or 0 for one in columns["sets"]))


KIND = EntryKind(
    tables.TrainingSession, TrainingSessionBody, TrainingSession, "training-sessions", "training session", _caution
)
router = entry_routes(KIND)
