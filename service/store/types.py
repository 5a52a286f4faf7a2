"""Column types that mean the same on both databases, and the words that a column may hold."""

import uuid
from datetime import UTC, datetime
from typing import Any, Literal, get_args

import uuid_utils
import uuid_utils.compat
from sqlalchemy import JSON, CheckConstraint, DateTime, Dialect
from sqlalchemy.types import TypeDecorator

Document = JSON(none_as_null=True)  # not JSONB: the text, and so its order, comes back as it went in

Sex = Literal["female", "male"]
Experience = Literal["novice", "intermediate", "advanced"]
FoodPattern = Literal["omnivore", "vegetarian", "vegan"]
Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
AthleteStatus = Literal["active", "paused", "ended"]
PhaseName = Literal["build", "cut", "maintain"]
RunState = Literal["running", "done", "failed"]  # of an import, of a replay
EntryName = Literal["weigh_in", "meal", "training_session", "measurement", "wellbeing"]
MeasurementMethod = Literal["tape", "skinfold", "skinfold_3", "skinfold_4", "skinfold_7", "scan", "impedance", "given"]
DeclaredFoodDay = Literal["complete", "partial", "fast"]
ReplacedBy = Literal["change", "delete"]
Answer = Literal["accepted", "amended", "declined"]  # the coach's, to a recommendation
ReviewState = Literal["open", "accepted", "amended", "declined", "lapsed"]
BodyRegion = Literal[
    "neck", "shoulder", "elbow", "wrist", "hand", "upper_back", "low_back", "hip", "groin", "thigh", "knee", "calf",
    "ankle", "foot",
]  # fmt: skip
BodySide = Literal["left", "right", "both"]
PreparationState = Literal["raw", "cooked", "dry", "ready", "canned", "dried"]  # of a food


def one_of(column: str, words: Any) -> CheckConstraint:
    """The constraint that a column holds one of the words of a Literal, or nothing."""
    listed = ", ".join(f"'{word}'" for word in get_args(words))
    return CheckConstraint(f"{column} IN ({listed})", name=column)


class Instant(TypeDecorator[datetime]):
    """A point in time: refused without an offset, stored as UTC, returned aware, on SQLite too."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("an instant needs an offset")
        utc = value.astimezone(UTC)
        return utc.replace(tzinfo=None) if dialect.name == "sqlite" else utc

    def process_result_value(self, value: Any, dialect: Dialect) -> datetime | None:
        if value is None:
            return None
        instant: datetime = value
        return instant.replace(tzinfo=UTC) if instant.tzinfo is None else instant.astimezone(UTC)


def new_id() -> uuid.UUID:
    """A UUIDv7: unique everywhere, sorted by time of making (RFC 9562)."""
    return uuid_utils.compat.uuid7()


def new_digits() -> str:
    """The hexadecimal digits of one, for many rows at once."""
    return uuid_utils.uuid7().hex


def now() -> datetime:
    """The present instant, in UTC: of the machine, its leases and keys; a practice's is `Scope.now`."""
    return datetime.now(UTC)
