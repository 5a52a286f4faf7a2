"""What the service says of an athlete, and what the coach answers."""

import datetime as dt
import uuid

from sqlalchemy import Index, String, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from service.store.tables.base import Json, Owned, of_athlete, of_practice
from service.store.types import Answer, Document, Instant, ReviewState, RunState, now, one_of

_OPEN = text("state = 'open'")  # few of many: what waits for a decision, or for its lapse


class Review(Owned, table=True):
    """The weekly result for one athlete; `document` is kept byte for byte."""

    __tablename__ = "review"
    __table_args__ = of_athlete(
        UniqueConstraint("practice_id", "athlete_id", "week"),
        Index(None, "practice_id", "athlete_id", "as_of"),
        Index("ix_review_open", "practice_id", "athlete_id", sqlite_where=_OPEN, postgresql_where=_OPEN),
        one_of("state", ReviewState),
    )
    athlete_id: uuid.UUID
    week: str  # ISO week of a weekly review; the date of one that the coach made beside
    as_of: dt.date
    action: str
    severity: int
    attention: Json | None = Field(default=None, sa_type=Document)
    document: Json = Field(sa_type=Document)
    score: Json | None = Field(default=None, sa_type=Document)  # of the prediction of the week before
    inputs_digest: str
    state: ReviewState = Field(default="open", sa_type=String)
    stale: bool = False
    revision: int = 1
    made_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class Decision(Owned, table=True):
    """The coach's answer to a recommendation."""

    __tablename__ = "decision"
    __table_args__ = of_athlete(UniqueConstraint("practice_id", "review_id"), one_of("decision", Answer))
    athlete_id: uuid.UUID
    review_id: uuid.UUID
    decision: Answer = Field(sa_type=String)
    changes: Json | None = Field(default=None, sa_type=Document)
    acknowledge: list[str] | None = Field(default=None, sa_type=Document)
    note: str | None = None
    effect: Json | None = Field(default=None, sa_type=Document)
    key_id: uuid.UUID | None = None
    decided_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class CheckIn(SQLModel, table=True):
    """The latest nightly pass over one athlete."""

    __tablename__ = "check_in"
    __table_args__ = of_athlete()
    practice_id: uuid.UUID = Field(primary_key=True)
    athlete_id: uuid.UUID = Field(primary_key=True)
    date: dt.date
    severity: int
    attention: Json | None = Field(default=None, sa_type=Document)
    holding: list[str] | None = Field(default=None, sa_type=Document)  # red flags and requests that hold, by code
    inputs_revision: int | None = None  # of the athlete's row that it was made from
    policy: Json | None = Field(default=None, sa_type=Document)  # what names the policy that it was made by
    made_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class Replay(Owned, table=True):
    """A policy run over past data; nothing of it is in an athlete's record."""

    __tablename__ = "replay"
    __table_args__ = of_practice(Index(None, "practice_id", "policy_id"), one_of("state", RunState))
    policy_id: str
    against_policy_id: str | None = None
    from_date: dt.date
    to_date: dt.date
    state: RunState = Field(default="running", sa_type=String)
    athletes_done: int = 0
    athletes_total: int = 0
    result: Json | None = Field(default=None, sa_type=Document)
    detail: str | None = None
    started_at: dt.datetime = Field(default_factory=now, sa_type=Instant)
    heard_at: dt.datetime = Field(default_factory=now, sa_type=Instant)
    ended_at: dt.datetime | None = Field(default=None, sa_type=Instant)
