"""Work that runs: what failed of it, imports, answers kept for a repeat."""

import datetime as dt
import uuid

from sqlalchemy import String
from sqlmodel import Field, SQLModel

from service.store.tables.base import Json, Owned, of_athlete, of_practice
from service.store.types import Document, Instant, RunState, now, one_of


class JobFailure(SQLModel, table=True):
    """Work that could not be done for one athlete; gone when it succeeds."""

    __tablename__ = "job_failure"
    __table_args__ = of_athlete()
    practice_id: uuid.UUID = Field(primary_key=True)
    athlete_id: uuid.UUID = Field(primary_key=True)
    job: str = Field(primary_key=True)
    error: str
    attempts: int = 1
    failed_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class ImportRun(Owned, table=True):
    """A file of lines taken in."""

    __tablename__ = "import_run"
    __table_args__ = of_practice(one_of("state", RunState))
    state: RunState = Field(default="running", sa_type=String)
    lines_read: int = 0
    lines_kept: int = 0
    lines_faulty: int = 0
    faults: list[Json] = Field(default_factory=list, sa_type=Document)
    detail: str | None = None
    started_at: dt.datetime = Field(default_factory=now, sa_type=Instant)
    heard_at: dt.datetime = Field(default_factory=now, sa_type=Instant)  # of the last chunk
    ended_at: dt.datetime | None = Field(default=None, sa_type=Instant)


class IdempotentAnswer(SQLModel, table=True):
    """The answer to a POST that carried an Idempotency-Key, for a repeat."""

    __tablename__ = "idempotent_answer"
    __table_args__ = of_practice()
    practice_id: uuid.UUID = Field(primary_key=True)
    route: str = Field(primary_key=True)
    key: str = Field(primary_key=True)
    request_digest: str
    status: int | None = None
    headers: dict[str, str] | None = Field(default=None, sa_type=Document)
    body: str | None = None
    kept_at: dt.datetime = Field(default_factory=now, sa_type=Instant, index=True)
