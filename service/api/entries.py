"""What all kinds of entries share: bodies, answers, and what a date may be.

A kind is a table, a body and an answer (`EntryKind`); `weigh_ins.py` is the shortest example. `entry_routes.py` makes
its routes; what is stored crosses into `application/log/entries.py` as `NewEntry`.
"""

import uuid
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from functools import cached_property
from typing import Any, ClassVar, Generic, NamedTuple, Protocol, Self, TypeVar

from pydantic import Field, model_validator

from service.api.http.fields import Answer, Body, Date, Moment, Note, ShortText, change_of, fault
from service.application import schedule
from service.application.log.entries import History, LoggedEntry, NewEntry
from service.errors import Fault
from service.store.scope import Scope
from service.store.tables import Athlete, Entry
from service.store.types import EntryName

OLDEST = timedelta(days=3653)  # an entry dated by mistake to another century would make every estimate slow
COMMON = ("date", "at", "ref", "note")


class EntryBody(Body):
    """What every entry may say beside its content; `date` or `at` is needed."""

    date: Date | None = Field(None, description="local calendar date; taken from `at` when absent")
    at: Moment | None = Field(None, description="instant with an offset")
    ref: ShortText | None = Field(None, description="the caller's own reference: the same one again changes, not adds")
    note: Note | None = None

    @model_validator(mode="after")
    def _dated(self) -> Self:
        if self.date is None and self.at is None:
            raise fault("no_date", "give a date or an instant, `at`")
        return self

    def columns(self) -> dict[str, Any]:
        """The content as the table's columns."""
        return self.model_dump(mode="json", exclude=set(COMMON))

    def said(self) -> "Said":
        """What is said of an entry, apart from the athlete."""
        return Said(self.date, self.at, self.ref, self.note, self.columns())

    @classmethod
    def said_by(cls, columns: Mapping[str, Any]) -> dict[str, Any]:
        """The body that would have made this content, for merging a PATCH."""
        names = [name for name in cls.model_fields if name in columns]
        return {name: columns[name] for name in names if columns[name] is not None}


class Said(NamedTuple):
    """What a body says of an entry; `content` as the table's columns."""

    date: date | None
    at: datetime | None
    ref: str | None
    note: str | None
    content: dict[str, Any]


class Suspect(Answer):
    """Why an entry is doubted; it is kept, but stays out of the estimates until confirmed."""

    reason: str
    best_guess_kg: float | None = None
    best_guess_kcal: float | None = None


class EntryAnswer(Answer):
    """What every entry in an answer shows."""

    id: uuid.UUID
    athlete_id: uuid.UUID
    date: date
    at: datetime | None = None
    ref: str | None = None
    note: str | None = None
    suspect: Suspect | None = None
    revision: int
    created_at: datetime
    updated_at: datetime


B = TypeVar("B", bound=EntryBody)
A = TypeVar("A", bound=EntryAnswer)


@dataclass(frozen=True)
class EntryKind(Generic[B, A]):
    """One kind of entry: where it lives, what it is called, what it says."""

    table: type[Entry]
    body: type[B]
    answer: type[A]
    path: str
    one: str
    caution: Callable[[Mapping[str, Any]], str | None] | None = None  # what its content asks to be said at once
    exclusive: ClassVar[tuple[tuple[str, ...], ...]] = (("mass_kg", "mass_lb"), ("energy_kcal", "energy_kj"))

    @property
    def name(self) -> EntryName:
        """The kind's name in imports and histories."""
        return self.table.kind

    @cached_property
    def change(self) -> type[Body]:
        """The body of a PATCH: any of the body's fields, and `suspect: null` to confirm a doubted value."""
        return change_of(self.body, self.body.__name__.replace("Body", "Change"), suspect=(None, None))

    def told(self, entry: LoggedEntry) -> A:
        """An entry as the caller sees it."""
        return self.answer.model_validate(entry.columns())

    def answered(self, entry: LoggedEntry) -> A:
        """An entry as it is answered to who has just said it: with the caution that it needs at once."""
        told = self.told(entry)
        return told if self.caution is None else told.model_copy(update={"caution": self.caution(entry.content)})

    def history(self, key_id: uuid.UUID | None) -> History:
        """The history keeps what is replaced as its callers saw it."""
        return History(key_id, lambda entry: self.told(entry).model_dump(mode="json"))


def new_entry(athlete: Athlete, body: EntryBody) -> NewEntry:
    """What a body says of an athlete, dated where the athlete lives."""
    return NewEntry(athlete.id, local_date(body, athlete), body.at, body.ref, body.note, body.columns())


class Dated(Protocol):
    """Whatever says when it was: by a date, an instant, or both."""

    @property
    def date(self) -> date | None:
        """Local."""

    @property
    def at(self) -> datetime | None:
        """With an offset."""


def local_date(body: Dated, athlete: Athlete) -> date:
    """The entry's calendar date where the athlete lives."""
    if body.at is not None:
        return schedule.local_date(body.at, athlete.time_zone)
    assert body.date is not None
    return body.date


def days_of_log(scope: Scope, athlete: Athlete) -> tuple[date, date]:
    """The first and the last day that an athlete's log may have: `day_faults` says what is wrong beyond them."""
    return max(athlete.birth_date, scope.now().date() - OLDEST), schedule.today_of(scope, athlete)


def date_faults(scope: Scope, body: Dated, athlete: Athlete, place: str = "") -> list[Fault]:
    """What is wrong with an entry's date: it disagrees with the instant, or lies in the future or before birth."""
    day = local_date(body, athlete)
    field = "date" if body.at is None else "at"
    if body.date is not None and body.date != day:
        detail = f"`at` falls on {day} in the athlete's zone {athlete.time_zone}"
        return [Fault(pointer=f"{place}/date", code="disagrees", detail=detail)]
    return day_faults(scope, day, athlete, f"{place}/{field}")


def future_faults(scope: Scope, day: date, athlete: Athlete, pointer: str) -> list[Fault]:
    """Whether a day lies in the future where the athlete lives."""
    today = schedule.today_of(scope, athlete)
    if day <= today:
        return []
    detail = f"{day} is in the future: it is {today} in the athlete's zone {athlete.time_zone}"
    return [Fault(pointer=pointer, code="in_the_future", detail=detail)]


def day_faults(scope: Scope, day: date, athlete: Athlete, pointer: str = "/date") -> list[Fault]:
    """What is wrong with a day of an athlete's log: it lies in the future, before birth or too long ago."""
    if faults := future_faults(scope, day, athlete, pointer):
        return faults
    if day < athlete.birth_date:
        return [Fault(pointer=pointer, code="before_birth", detail=f"{day} lies before the athlete's birth")]
    if day < scope.now().date() - OLDEST:
        return [Fault(pointer=pointer, code="too_long_ago", detail=f"{day} is more than ten years ago")]
    return []
