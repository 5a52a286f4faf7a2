"""What is in force: phases, targets, training plans, restrictions, policies."""

import datetime as dt
import uuid

from sqlalchemy import Index, String, UniqueConstraint
from sqlmodel import Field

from service.store.tables.base import Json, Owned, of_athlete, of_practice
from service.store.types import BodyRegion, BodySide, Document, Instant, PhaseName, now, one_of


class Phase(Owned, table=True):
    """A build, cut or maintain phase; it ends where the next one starts."""

    __tablename__ = "phase"
    __table_args__ = of_athlete(UniqueConstraint("practice_id", "athlete_id", "starts_on"), one_of("kind", PhaseName))
    athlete_id: uuid.UUID
    kind: PhaseName = Field(sa_type=String)
    starts_on: dt.date
    planned_end_on: dt.date | None = None
    energy_kcal: float | None = None
    note: str | None = None
    revision: int = 1
    updated_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class Target(Owned, table=True):
    """What the athlete is to eat from a date on."""

    __tablename__ = "target"
    __table_args__ = of_athlete(UniqueConstraint("practice_id", "athlete_id", "from_date"))
    athlete_id: uuid.UUID
    from_date: dt.date
    energy_kcal: float
    protein_g: float | None = None
    fat_g: float | None = None
    carbohydrate_g: float | None = None
    fibre_g: float | None = None
    meals: list[Json] | None = Field(default=None, sa_type=Document)
    eating_window: dict[str, str] | None = Field(default=None, sa_type=Document)
    review_id: uuid.UUID | None = None
    revision: int = 1
    updated_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class TrainingPlan(Owned, table=True):
    """What the athlete trains from a date on: days of exercises with their schemes, and what the gym has."""

    __tablename__ = "training_plan"
    __table_args__ = of_athlete(UniqueConstraint("practice_id", "athlete_id", "from_date"))
    athlete_id: uuid.UUID
    from_date: dt.date
    name: str
    days: list[Json] = Field(sa_type=Document)
    gym: Json | None = Field(default=None, sa_type=Document)
    revision: int = 1
    updated_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class Restriction(Owned, table=True):
    """A region of the body that hurts or is injured, since when, how much (0–10), until it is cleared."""

    __tablename__ = "restriction"
    __table_args__ = of_athlete(
        one_of("region", BodyRegion), one_of("side", BodySide), Index(None, "practice_id", "athlete_id", "since", "id")
    )
    athlete_id: uuid.UUID
    region: BodyRegion = Field(sa_type=String)
    side: BodySide | None = Field(default=None, sa_type=String)
    since: dt.date
    level: float
    note: str | None = None
    cleared_on: dt.date | None = None
    cleared_by: str | None = None
    revision: int = 1
    updated_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class PolicyVersion(Owned, table=True):
    """A version of a practice's thresholds, or of one athlete's; versions are added, never changed."""

    __tablename__ = "policy_version"
    __table_args__ = of_athlete(*of_practice(UniqueConstraint("practice_id", "about", "version")))
    about: str  # "practice", or the athlete's id
    athlete_id: uuid.UUID | None = None
    version: int
    changes: Json = Field(sa_type=Document)  # from the service's own policy, or an athlete's from the practice's
    note: str | None = None
    key_id: uuid.UUID | None = None
    created_at: dt.datetime = Field(default_factory=now, sa_type=Instant)
