"""The practice, its keys, its athletes and what they answered when they were taken on."""

import datetime as dt
import uuid

from sqlalchemy import CheckConstraint, Index, String, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from service.store.tables.base import Json, Owned, of_athlete, of_practice
from service.store.types import (
    AthleteStatus,
    Document,
    Experience,
    FoodPattern,
    Instant,
    Sex,
    Weekday,
    new_id,
    now,
    one_of,
)

_MOVED = text("clock_at IS NOT NULL")  # few: practices for tests


class Practice(SQLModel, table=True):
    """A coach or a studio: the tenant."""

    __tablename__ = "practice"
    __table_args__ = (
        CheckConstraint("clock_at IS NULL OR test", name="clock_at"),
        Index("ix_practice_moved", "clock_at", sqlite_where=_MOVED, postgresql_where=_MOVED),
    )
    id: uuid.UUID = Field(default_factory=new_id, primary_key=True)
    name: str = Field(unique=True)
    time_zone: str = "UTC"
    test: bool = False  # said when it is made, and never again
    clock_at: dt.datetime | None = Field(default=None, sa_type=Instant)  # of a test practice whose clock was moved
    revision: int = 1
    created_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class ApiKey(Owned, table=True):
    """A caller's key; only its digest is stored."""

    __tablename__ = "api_key"
    __table_args__ = of_practice()
    digest: str = Field(unique=True)
    name: str
    scopes: list[str] = Field(sa_type=Document)
    athlete_id: uuid.UUID | None = None
    expires_at: dt.datetime | None = Field(default=None, sa_type=Instant)
    last_used_at: dt.datetime | None = Field(default=None, sa_type=Instant)
    revoked_at: dt.datetime | None = Field(default=None, sa_type=Instant)
    created_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


_ACTIVE = text("status = 'active'")


def _due(column: str) -> Index:
    """What the clock looks for across practices, in the order in which it claims."""
    return Index(
        f"ix_athlete_due_{column}", column, "practice_id", "id", sqlite_where=_ACTIVE, postgresql_where=_ACTIVE
    )


class Athlete(Owned, table=True):
    """The person coached."""

    __tablename__ = "athlete"
    __table_args__ = of_practice(
        UniqueConstraint("practice_id", "external_id"),
        _due("next_review_at"),
        _due("next_check_in_at"),
        one_of("sex", Sex),
        one_of("experience", Experience),
        one_of("food_pattern", FoodPattern),
        one_of("review_weekday", Weekday),
        one_of("status", AthleteStatus),
    )
    external_id: str
    name: str | None = None
    sex: Sex = Field(sa_type=String)
    birth_date: dt.date
    height_cm: float
    time_zone: str = "UTC"
    activity_factor: float | None = None
    experience: Experience | None = Field(default=None, sa_type=String)
    equipment: list[str] | None = Field(default=None, sa_type=Document)
    food_pattern: FoodPattern | None = Field(default=None, sa_type=String)
    meals_per_day: int | None = None
    eating_window: dict[str, str] | None = Field(default=None, sa_type=Document)
    carbohydrate_share: float | None = None
    goal: Json | None = Field(default=None, sa_type=Document)
    main_lifts: list[str] | None = Field(default=None, sa_type=Document)
    review_weekday: Weekday = Field(default="monday", sa_type=String)
    status: AthleteStatus = Field(default="active", sa_type=String)  # only active ones are reviewed, checked and listed
    revision: int = 1
    inputs_revision: int = 0  # counts the changes of whatever reviews and check-ins look at
    inputs_until: dt.date | None = None  # the latest day, up to the then present one, of which anything was stored
    next_review_at: dt.datetime | None = Field(default=None, sa_type=Instant)  # None: due once there is a log
    next_check_in_at: dt.datetime | None = Field(default=None, sa_type=Instant)
    review_claimed_until: dt.datetime | None = Field(default=None, sa_type=Instant)
    check_in_claimed_until: dt.datetime | None = Field(default=None, sa_type=Instant)
    created_at: dt.datetime = Field(default_factory=now, sa_type=Instant)
    updated_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class Screening(Owned, table=True):
    """One set of answers to the screening questions; the latest counts."""

    __tablename__ = "screening"
    __table_args__ = of_athlete(Index(None, "practice_id", "athlete_id", "id"))
    athlete_id: uuid.UUID
    answers: Json = Field(sa_type=Document)
    revision: int = 1
    answered_at: dt.datetime = Field(default_factory=now, sa_type=Instant)
