"""Column types that mean the same on both databases."""

import uuid
from datetime import UTC, datetime
from typing import Any

import uuid_utils.compat
from sqlalchemy import JSON, DateTime, Dialect
from sqlalchemy.types import TypeDecorator

Document = JSON(none_as_null=True)  # not JSONB: the text, and so its order, comes back as it went in


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


def now() -> datetime:
    """The present instant, in UTC."""
    return datetime.now(UTC)
