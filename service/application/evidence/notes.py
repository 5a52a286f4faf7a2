"""What reviews know of athletes beside the arrays: screening, notes, pain, sessions, suspect entries, reviews."""

import uuid
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any, Literal, NamedTuple, Protocol, TypeVar, cast

import numpy as np
import orjson
from sqlalchemy import func, or_

from service.application.evidence.review_documents import ReviewDocument
from service.application.evidence.rows import OfAthlete, by_athlete
from service.domain.evidence import Pain, Symptom, SymptomKind
from service.store.scope import Scope, Table, table_of
from service.store.tables import (
    Decision,
    Json,
    Meal,
    Restriction,
    Review,
    Screening,
    SessionLift,
    TrainingSession,
    WeighIn,
    WellbeingNote,
)

NOTES_SINCE = timedelta(days=3660)  # a referral holds until it is cleared, however long ago it was noted
SESSIONS_SINCE = timedelta(days=112)
REVIEWS_SINCE = timedelta(days=70)
SUSPECT_SINCE = timedelta(days=28)


class EarlierReview(NamedTuple):
    """A review that was made before."""

    athlete_id: uuid.UUID
    as_of: date
    document: ReviewDocument
    state: str


class LoggedSession(NamedTuple):
    """What is looked at of a training session."""

    athlete_id: uuid.UUID
    date: date
    at: datetime | None
    sets: list[Json]
    plan_day: str | None
    skipped: list[Json] | None
    deload: bool
    suspect: Json | None


class PainfulLift(NamedTuple):
    """Pain on an exercise of a session."""

    athlete_id: uuid.UUID
    date: date
    exercise: str
    pain: float


class MarkedSession(NamedTuple):
    """A session with which symptoms were noted, or that was a deload."""

    athlete_id: uuid.UUID
    date: date
    symptoms: list[SymptomKind] | None
    deload: bool


@dataclass(frozen=True)
class Deload:
    """A deload that the coach accepted: the day of the review that recommended it, and its first day."""

    reviewed: date
    on: date


@dataclass(frozen=True)
class SuspectEntry:
    """A suspect entry that is neither confirmed nor corrected."""

    date: date
    kind: Literal["weigh_in", "meal"]
    reason: str


@dataclass(frozen=True)
class NoteRows:
    """What the database has of some athletes, by athlete; enough for notes on any day of the span that was read."""

    screening: Mapping[uuid.UUID, Sequence[Screening]]  # oldest first
    wellbeing: Mapping[uuid.UUID, Sequence[WellbeingNote]] = field(default_factory=dict)  # oldest first
    reviews: Mapping[uuid.UUID, Sequence[EarlierReview]] = field(default_factory=dict)  # newest first
    sessions: Mapping[uuid.UUID, Sequence[LoggedSession]] = field(default_factory=dict)  # oldest first
    painful_lifts: Mapping[uuid.UUID, Sequence[PainfulLift]] = field(default_factory=dict)  # of sessions before these
    deloads: Mapping[uuid.UUID, Sequence[Deload]] = field(default_factory=dict)  # by the review's day
    suspect_entries: Mapping[uuid.UUID, Sequence[SuspectEntry]] = field(default_factory=dict)
    confirmed_from: Mapping[uuid.UUID, date] = field(default_factory=dict)  # day of the first confirmed weigh-in
    restrictions: Mapping[uuid.UUID, Sequence[Restriction]] = field(default_factory=dict)  # by their first day
    marked: Mapping[uuid.UUID, Sequence[MarkedSession]] = field(default_factory=dict)


@dataclass(frozen=True)
class Notes:
    """What is known of one athlete on a day."""

    screening: Sequence[Screening] = ()  # oldest first; the latest answers count on every day
    restrictions: Sequence[Restriction] = ()  # that began by then, cleared ones too
    wellbeing: Sequence[WellbeingNote] = ()  # oldest first
    reviews: Sequence[EarlierReview] = ()  # newest first
    sessions: Sequence[LoggedSession] = ()  # of the last 16 weeks, oldest first
    symptoms: Sequence[Symptom] = ()  # by day
    pains: Sequence[Pain] = ()  # by day
    deloads: Sequence[date] = ()  # first days of all accepted ones
    deload_sessions: Sequence[date] = ()  # days of the last ten years
    suspect_entries: Sequence[SuspectEntry] = ()  # of the last four weeks
    unit_confirmed: bool = False  # whether a weigh-in of somebody heavy or light enough to be asked was confirmed


async def read_notes(
    scope: Scope, ids: Sequence[uuid.UUID], first: date, last: date, *, unit_asked: Collection[uuid.UUID] = ()
) -> NoteRows:
    """Read what notes on the days from `first` to `last` rest on.

    Parameters
    ----------
    scope : Scope
        The practice.
    ids : sequence of UUID
        Whose.
    first, last : date
        The first and the last day that will be looked at.
    unit_asked : collection of UUID
        Those of them whose weigh-ins may be in another unit.
    """
    return NoteRows(
        await _screening(scope, ids),
        await _wellbeing(scope, ids, first - NOTES_SINCE, last),
        await _earlier_reviews(scope, ids, first - REVIEWS_SINCE, last),
        await _sessions(scope, ids, first - SESSIONS_SINCE, last),
        await _painful_lifts(scope, ids, first - NOTES_SINCE, last - SESSIONS_SINCE),
        await _deloads(scope, ids, last),
        await _suspect_entries(scope, ids, first - SUSPECT_SINCE, last),
        await _confirmed_from(scope, unit_asked),
        await _restrictions(scope, ids, last),
        await _marked(scope, ids, first - NOTES_SINCE, last),
    )


def notes_on(rows: NoteRows, athlete_id: uuid.UUID, day: date) -> Notes:
    """What is known of an athlete on a day of the span that was read; nothing that is dated later."""
    wellbeing = _between(rows.wellbeing.get(athlete_id, ()), day - NOTES_SINCE, day)
    sessions = _between(rows.sessions.get(athlete_id, ()), day - SESSIONS_SINCE, day)
    before = _between(
        rows.painful_lifts.get(athlete_id, ()), day - NOTES_SINCE, day - SESSIONS_SINCE - timedelta(days=1)
    )
    marked = _between(rows.marked.get(athlete_id, ()), day - NOTES_SINCE, day)
    since = day - REVIEWS_SINCE
    return Notes(
        rows.screening.get(athlete_id, ()),
        [row for row in rows.restrictions.get(athlete_id, ()) if row.since <= day],
        wellbeing,
        [review for review in rows.reviews.get(athlete_id, ()) if since <= review.as_of < day],
        sessions,
        sorted(_symptoms(wellbeing, marked), key=lambda symptom: (symptom.on, symptom.kind)),
        sorted(_pains(wellbeing, before, sessions), key=_when_and_where),
        [deload.on for deload in rows.deloads.get(athlete_id, ()) if deload.reviewed < day],
        sorted(session.date for session in marked if session.deload),
        [entry for entry in rows.suspect_entries.get(athlete_id, ()) if day - SUSPECT_SINCE < entry.date <= day],
        rows.confirmed_from.get(athlete_id, date.max) <= day,
    )


class _Dated(Protocol):
    @property
    def date(self) -> date: ...


D = TypeVar("D", bound=_Dated)


def _between(rows: Sequence[D], first: date, last: date) -> list[D]:
    return [row for row in rows if first <= row.date <= last]


def _symptoms(wellbeing: Sequence[WellbeingNote], sessions: Sequence[MarkedSession]) -> Iterable[Symptom]:
    for note in wellbeing:
        yield from (Symptom(note.date, kind) for kind in note.content.get("symptoms", ()))
    for session in sessions:
        yield from (Symptom(session.date, kind) for kind in session.symptoms or ())


def _pains(
    wellbeing: Sequence[WellbeingNote], before: Sequence[PainfulLift], sessions: Sequence[LoggedSession]
) -> Iterable[Pain]:
    """Of notes, of sessions long ago, and of each exercise of the later ones the worst."""
    for note in wellbeing:
        for pain in note.content.get("pain", []):
            yield Pain(note.date, pain.get("exercise"), float(pain["level"]), pain.get("region"))
    for lift in before:
        yield Pain(lift.date, lift.exercise, lift.pain)
    for session in sessions:
        worst: dict[str, float] = {}
        for lifted in session.sets:
            if lifted.get("pain") is not None:
                worst[lifted["exercise"]] = max(float(lifted["pain"]), worst.get(lifted["exercise"], 0.0))
        for exercise, level in sorted(worst.items()):
            yield Pain(session.date, exercise, level)


def _when_and_where(pain: Pain) -> tuple[date, str, str, float]:
    return pain.on, pain.exercise or "", pain.region or "", pain.level


async def _screening(scope: Scope, ids: Sequence[uuid.UUID]) -> Mapping[uuid.UUID, Sequence[Screening]]:
    screening = table_of(Screening)
    answers = scope.select(Screening).where(screening.c.athlete_id.in_(ids)).order_by(screening.c.revision)
    return by_athlete(await scope.all(Screening, answers))


async def _restrictions(
    scope: Scope, ids: Sequence[uuid.UUID], last: date
) -> Mapping[uuid.UUID, Sequence[Restriction]]:
    restriction = table_of(Restriction)
    begun = scope.select(Restriction).where(restriction.c.athlete_id.in_(ids), restriction.c.since <= last)
    return by_athlete(await scope.all(Restriction, begun.order_by(restriction.c.since, restriction.c.id)))


async def _wellbeing(
    scope: Scope, ids: Sequence[uuid.UUID], first: date, last: date
) -> Mapping[uuid.UUID, Sequence[WellbeingNote]]:
    note = table_of(WellbeingNote)
    noted = scope.select(WellbeingNote).where(note.c.athlete_id.in_(ids), note.c.date.between(first, last))
    rows = await scope.all(WellbeingNote, noted)
    return _in_order(rows, lambda row: {"content": row.content})


async def _earlier_reviews(
    scope: Scope, ids: Sequence[uuid.UUID], first: date, before: date
) -> Mapping[uuid.UUID, Sequence[EarlierReview]]:
    review = table_of(Review)
    earlier = scope.select(*(review.c[name] for name in EarlierReview._fields), of=[Review]).where(
        review.c.athlete_id.in_(ids), review.c.as_of < before, review.c.as_of >= first
    )
    return by_athlete(cast(Sequence[EarlierReview], await scope.rows(earlier.order_by(review.c.as_of.desc()))))


async def _sessions(
    scope: Scope, ids: Sequence[uuid.UUID], first: date, last: date
) -> Mapping[uuid.UUID, Sequence[LoggedSession]]:
    session = table_of(TrainingSession)
    columns = (session.c[name] for name in LoggedSession._fields)
    trained = scope.select(*columns, of=[TrainingSession]).where(
        session.c.athlete_id.in_(ids), session.c.date.between(first, last)
    )

    def content(row: LoggedSession) -> Mapping[str, Any]:
        return {name: getattr(row, name) for name in ("sets", "plan_day", "skipped", "deload")}

    return _in_order(cast(Sequence[LoggedSession], await scope.rows(trained)), content)


class _Timed(OfAthlete, Protocol):
    @property
    def date(self) -> date: ...

    @property
    def at(self) -> datetime | None: ...


T = TypeVar("T", bound=_Timed)


def _in_order(entries: Sequence[T], content: Callable[[T], Mapping[str, Any]]) -> dict[uuid.UUID, list[T]]:
    """By athlete, by date, time of day if told, and content; not in the order in which they arrived."""
    ordered: dict[uuid.UUID, list[T]] = {}
    for athlete, own in by_athlete(entries).items():
        of_moment = Counter(map(_when, own))
        what = {id(row): _content(content(row)) for row in own if of_moment[_when(row)] > 1}
        ordered[athlete] = sorted(own, key=lambda row: (*_when(row), what.get(id(row), b"")))
    return ordered


def _when(entry: _Timed) -> tuple[date, float]:
    return entry.date, entry.at.timestamp() if entry.at else -np.inf


def _content(said: Mapping[str, Any]) -> bytes:
    return orjson.dumps(said, option=orjson.OPT_SORT_KEYS)


async def _marked(
    scope: Scope, ids: Sequence[uuid.UUID], first: date, last: date
) -> Mapping[uuid.UUID, Sequence[MarkedSession]]:
    session = table_of(TrainingSession)
    noted = scope.select(*(session.c[name] for name in MarkedSession._fields), of=[TrainingSession]).where(
        session.c.athlete_id.in_(ids),
        or_(session.c.symptoms.is_not(None), session.c.deload.is_(True)),
        session.c.date.between(first, last),
    )
    return by_athlete(cast(Sequence[MarkedSession], await scope.rows(noted)))


async def _painful_lifts(
    scope: Scope, ids: Sequence[uuid.UUID], first: date, before: date
) -> Mapping[uuid.UUID, Sequence[PainfulLift]]:
    """Of sessions of long ago only the pain counts: it holds until it is cleared."""
    lift = table_of(SessionLift)
    hurt = scope.select(*(lift.c[name] for name in PainfulLift._fields), of=[SessionLift]).where(
        lift.c.athlete_id.in_(ids), lift.c.pain.is_not(None), lift.c.date >= first, lift.c.date < before
    )
    return by_athlete(cast(Sequence[PainfulLift], await scope.rows(hurt)))


async def _deloads(scope: Scope, ids: Sequence[uuid.UUID], before: date) -> dict[uuid.UUID, list[Deload]]:
    """Those that were accepted: an amended one is something else than the deload."""
    review, decision = table_of(Review), table_of(Decision)
    accepted = (
        scope.select(review.c.athlete_id, review.c.as_of, decision.c.effect, of=[Review, Decision])
        .where(decision.c.review_id == review.c.id, review.c.athlete_id.in_(ids), review.c.as_of < before)
        .where(review.c.action == "deload", review.c.state == "accepted")
        .order_by(review.c.as_of)
    )
    deloads: dict[uuid.UUID, list[Deload]] = defaultdict(list)
    for row in await scope.rows(accepted):
        deloads[row.athlete_id].append(Deload(row.as_of, date.fromisoformat(row.effect["effective_on"])))
    return deloads


async def _suspect_entries(
    scope: Scope, ids: Sequence[uuid.UUID], after: date, to: date
) -> dict[uuid.UUID, list[SuspectEntry]]:
    suspects: dict[uuid.UUID, list[SuspectEntry]] = defaultdict(list)
    kinds: tuple[tuple[Literal["weigh_in", "meal"], Table], ...] = (("weigh_in", WeighIn), ("meal", Meal))
    for kind, of in kinds:
        entry = table_of(of)
        suspect = scope.select(entry.c.athlete_id, entry.c.date, entry.c.suspect, of=[of]).where(
            entry.c.athlete_id.in_(ids), entry.c.date > after, entry.c.date <= to, entry.c.suspect.is_not(None)
        )
        for row in await scope.rows(suspect.order_by(entry.c.date, entry.c.id)):
            suspects[row.athlete_id].append(SuspectEntry(row.date, kind, row.suspect["reason"]))
    return suspects


async def _confirmed_from(scope: Scope, ids: Collection[uuid.UUID]) -> dict[uuid.UUID, date]:
    """The day of the first confirmed weigh-in of those who have one."""
    if not ids:
        return {}
    table = table_of(WeighIn)
    confirmed = scope.select(table.c.athlete_id, func.min(table.c.date).label("first"), of=[WeighIn]).where(
        table.c.athlete_id.in_(ids), table.c.confirmed.is_(True)
    )
    return {row.athlete_id: row.first for row in await scope.rows(confirmed.group_by(table.c.athlete_id))}
