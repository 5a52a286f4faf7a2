"""What is logged, and the two roll-ups of it.

Entries (`weigh_in`, `meal`, `training_session`, `measurement`, `wellbeing_note`) hold their latest revision; what a
change replaced is kept in `entry_revision`. `athlete_day` and `session_lift` are roll-ups, kept by `application/log` in
the transaction of the write; reviews and estimates read these two, never raw meals and sets.
"""

import datetime as dt
import uuid
from typing import Any, ClassVar

from sqlalchemy import Index, String, UniqueConstraint
from sqlmodel import Field, SQLModel

from service.store.tables.base import CLUSTERED, Json, Owned, of_athlete
from service.store.types import (
    DeclaredFoodDay,
    Document,
    EntryName,
    Instant,
    MeasurementMethod,
    ReplacedBy,
    now,
    one_of,
)


class Entry(Owned):
    """What all kinds of entries have in common."""

    kind: ClassVar[EntryName]
    athlete_id: uuid.UUID
    date: dt.date
    at: dt.datetime | None = Field(default=None, sa_type=Instant)
    ref: str | None = None
    note: str | None = None
    suspect: Json | None = Field(default=None, sa_type=Document)
    confirmed: bool = False
    revision: int = 1
    created_at: dt.datetime = Field(default_factory=now, sa_type=Instant)
    updated_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


def _of_entry(*more: Any) -> tuple[Any, ...]:
    """Table arguments of an entry."""
    return of_athlete(
        *more,
        UniqueConstraint("practice_id", "athlete_id", "ref"),
        Index(None, "practice_id", "athlete_id", "date", "id"),
    )


class WeighIn(Entry, table=True):
    """Body mass on a scale."""

    __tablename__ = "weigh_in"
    __table_args__ = _of_entry()
    kind: ClassVar[EntryName] = "weigh_in"
    mass_kg: float


class Meal(Entry, table=True):
    """Something eaten."""

    __tablename__ = "meal"
    __table_args__ = _of_entry()
    kind: ClassVar[EntryName] = "meal"
    slot: int | None = None
    energy_kcal: float = 0.0  # of a meal that was logged as foods, until its roll-up has added them
    protein_g: float | None = None
    fat_g: float | None = None
    carbohydrate_g: float | None = None
    fibre_g: float | None = None
    alcohol_g: float | None = None
    foods: list[Json] | None = Field(default=None, sa_type=Document)  # foods and amounts, as said
    given: dict[str, float] | None = Field(default=None, sa_type=Document)  # totals said beside the foods
    from_foods: Json | None = Field(default=None, sa_type=Document)  # what the foods come to, when they were logged


class TrainingSession(Entry, table=True):
    """A training session with its sets."""

    __tablename__ = "training_session"
    __table_args__ = _of_entry()
    kind: ClassVar[EntryName] = "training_session"
    sets: list[Json] = Field(sa_type=Document)
    plan_day: str | None = None  # which day of the training plan it was
    skipped: list[Json] | None = Field(default=None, sa_type=Document)
    deload: bool = False
    symptoms: list[str] | None = Field(default=None, sa_type=Document)


class Measurement(Entry, table=True):
    """Tape, skinfolds, a scan or a given body-fat value; `body_fat_pct` is what they come to."""

    __tablename__ = "measurement"
    __table_args__ = _of_entry(one_of("method", MeasurementMethod))
    kind: ClassVar[EntryName] = "measurement"
    method: MeasurementMethod = Field(sa_type=String)
    sites: Json | None = Field(default=None, sa_type=Document)
    given_body_fat_pct: float | None = None
    given_body_fat_se_pct: float | None = None
    body_fat_pct: float | None = None
    body_fat_se_pct: float | None = None


class WellbeingNote(Entry, table=True):
    """How the athlete is: sleep, hunger, fatigue, symptoms, menstruation, pain."""

    __tablename__ = "wellbeing_note"
    __table_args__ = _of_entry()
    kind: ClassVar[EntryName] = "wellbeing"
    content: Json = Field(sa_type=Document)
    menstruation_started: bool = False


class FoodDay(SQLModel, table=True):
    """A calendar day's food log as a whole, as the athlete declared it."""

    __tablename__ = "food_day"
    __table_args__ = of_athlete(one_of("state", DeclaredFoodDay))
    practice_id: uuid.UUID = Field(primary_key=True)
    athlete_id: uuid.UUID = Field(primary_key=True)
    date: dt.date = Field(primary_key=True)
    state: DeclaredFoodDay = Field(sa_type=String)
    note: str | None = None
    revision: int = 1
    updated_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class EntryRevision(SQLModel, table=True):
    """What an entry said before it was changed or deleted."""

    __tablename__ = "entry_revision"
    __table_args__ = of_athlete(one_of("kind", EntryName), one_of("replaced_by", ReplacedBy))
    practice_id: uuid.UUID = Field(primary_key=True)
    athlete_id: uuid.UUID = Field(primary_key=True)
    entry_id: uuid.UUID = Field(primary_key=True)
    revision: int = Field(primary_key=True)
    kind: EntryName = Field(sa_type=String)
    content: Json = Field(sa_type=Document)
    replaced_by: ReplacedBy = Field(sa_type=String)
    replaced_at: dt.datetime = Field(default_factory=now, sa_type=Instant)
    key_id: uuid.UUID | None = None


class AthleteDay(SQLModel, table=True):
    """Roll-up: one athlete's day, without suspect entries."""

    __tablename__ = "athlete_day"
    __table_args__ = (*of_athlete(), CLUSTERED)
    practice_id: uuid.UUID = Field(primary_key=True)
    athlete_id: uuid.UUID = Field(primary_key=True)
    date: dt.date = Field(primary_key=True)
    mass_kg: float | None = None
    energy_kcal: float | None = None
    protein_g: float | None = None
    carbohydrate_g: float | None = None
    meals: int = 0
    food_state: int = 0
    menstruation_started: bool = False
    body_fat_pct: float | None = None
    body_fat_se_pct: float | None = None
    sessions: int = 0


class SessionLift(SQLModel, table=True):
    """Roll-up: one exercise of one session; one-repetition maximum = body_mass_coefficient * mass + intercept_kg.

    Where it only hurt (no completed work set), `hard_sets` is 0 and nothing is measured.
    """

    __tablename__ = "session_lift"
    __table_args__ = (*of_athlete(Index(None, "practice_id", "athlete_id", "date")), CLUSTERED)
    practice_id: uuid.UUID = Field(primary_key=True)
    athlete_id: uuid.UUID = Field(primary_key=True)
    session_id: uuid.UUID = Field(primary_key=True)
    exercise: str = Field(primary_key=True)
    date: dt.date
    body_mass_coefficient: float
    intercept_kg: float
    log_sd: float
    curve_exposure: float
    hard_sets: int
    top_external_kg: float
    top_reps: int
    top_rir: float | None = None
    aids: bool = False
    pain: float | None = None
