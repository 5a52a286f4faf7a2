"""Every table. `practice_id` leads every key and index, so that a practice's rows lie together.

Entries (`weigh_in`, `meal`, `training_session`, `measurement`, `wellbeing_note`) hold their latest revision; what a
change replaced is kept in `entry_revision`. `athlete_day` and `session_lift` are roll-ups, kept by `application/log` in
the transaction of the write; reviews and estimates read these two, never raw meals and sets.
"""

import datetime as dt
import uuid
from typing import Any, ClassVar

from sqlalchemy import ForeignKeyConstraint, Index, MetaData, String, UniqueConstraint, text
from sqlmodel import Field, SQLModel

from service.store.types import (
    Answer,
    DeclaredFoodDay,
    Document,
    EntryName,
    Experience,
    FoodPattern,
    Instant,
    MeasurementMethod,
    PhaseName,
    PreparationState,
    ReplacedBy,
    ReviewState,
    RunState,
    Sex,
    Weekday,
    new_id,
    now,
    one_of,
)

SQLModel.metadata.naming_convention = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}
metadata: MetaData = SQLModel.metadata

Json = dict[str, Any]  # an object in a Document column


class Practice(SQLModel, table=True):
    """A coach or a studio: the tenant."""

    __tablename__ = "practice"
    id: uuid.UUID = Field(default_factory=new_id, primary_key=True)
    name: str = Field(unique=True)
    time_zone: str = "UTC"
    revision: int = 1
    created_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class Owned(SQLModel):
    """A row of one practice."""

    practice_id: uuid.UUID = Field(primary_key=True)
    id: uuid.UUID = Field(default_factory=new_id, primary_key=True)


def _of_practice(*more: Any) -> tuple[Any, ...]:
    """Table arguments of a row that goes with its practice."""
    return (*more, ForeignKeyConstraint(["practice_id"], ["practice.id"], ondelete="CASCADE"))


def _of_athlete(*more: Any) -> tuple[Any, ...]:
    """Table arguments of a row that goes with its athlete."""
    return (
        *more,
        ForeignKeyConstraint(["practice_id", "athlete_id"], ["athlete.practice_id", "athlete.id"], ondelete="CASCADE"),
    )


_CLUSTERED = {"sqlite_with_rowid": False}  # the key is the row's place: an athlete's days are read in one sweep


class ApiKey(Owned, table=True):
    """A caller's key; only its digest is stored."""

    __tablename__ = "api_key"
    __table_args__ = _of_practice()
    digest: str = Field(unique=True)
    name: str
    scopes: list[str] = Field(sa_type=Document)
    athlete_id: uuid.UUID | None = None
    expires_at: dt.datetime | None = Field(default=None, sa_type=Instant)
    last_used_at: dt.datetime | None = Field(default=None, sa_type=Instant)
    revoked_at: dt.datetime | None = Field(default=None, sa_type=Instant)
    created_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class Athlete(Owned, table=True):
    """The person coached."""

    __tablename__ = "athlete"
    __table_args__ = _of_practice(
        UniqueConstraint("practice_id", "external_id"),
        Index(None, "next_review_at"),  # the clock looks across practices
        Index(None, "next_check_in_at"),
        one_of("sex", Sex),
        one_of("experience", Experience),
        one_of("food_pattern", FoodPattern),
        one_of("review_weekday", Weekday),
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
    review_weekday: Weekday = Field(default="monday", sa_type=String)
    revision: int = 1
    inputs_revision: int = 0  # counts the changes of whatever reviews and check-ins look at
    next_review_at: dt.datetime | None = Field(default=None, sa_type=Instant)  # None: due once there is a log
    next_check_in_at: dt.datetime | None = Field(default=None, sa_type=Instant)
    review_claimed_until: dt.datetime | None = Field(default=None, sa_type=Instant)
    check_in_claimed_until: dt.datetime | None = Field(default=None, sa_type=Instant)
    created_at: dt.datetime = Field(default_factory=now, sa_type=Instant)
    updated_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class Screening(Owned, table=True):
    """One set of answers to the screening questions; the latest counts."""

    __tablename__ = "screening"
    __table_args__ = _of_athlete(Index(None, "practice_id", "athlete_id", "id"))
    athlete_id: uuid.UUID
    answers: Json = Field(sa_type=Document)
    revision: int = 1
    answered_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class Phase(Owned, table=True):
    """A build, cut or maintain phase; it ends where the next one starts."""

    __tablename__ = "phase"
    __table_args__ = _of_athlete(UniqueConstraint("practice_id", "athlete_id", "starts_on"), one_of("kind", PhaseName))
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
    __table_args__ = _of_athlete(UniqueConstraint("practice_id", "athlete_id", "from_date"))
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
    __table_args__ = _of_athlete(UniqueConstraint("practice_id", "athlete_id", "from_date"))
    athlete_id: uuid.UUID
    from_date: dt.date
    name: str
    days: list[Json] = Field(sa_type=Document)
    gym: Json | None = Field(default=None, sa_type=Document)
    revision: int = 1
    updated_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class PolicyVersion(Owned, table=True):
    """A version of a practice's thresholds, or of one athlete's; versions are added, never changed."""

    __tablename__ = "policy_version"
    __table_args__ = _of_athlete(*_of_practice(UniqueConstraint("practice_id", "about", "version")))
    about: str  # "practice", or the athlete's id
    athlete_id: uuid.UUID | None = None
    version: int
    changes: Json = Field(sa_type=Document)  # from the service's own policy, or an athlete's from the practice's
    note: str | None = None
    key_id: uuid.UUID | None = None
    created_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class Replay(Owned, table=True):
    """A policy run over past data; nothing of it is in an athlete's record."""

    __tablename__ = "replay"
    __table_args__ = _of_practice(Index(None, "practice_id", "policy_id"), one_of("state", RunState))
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
    return _of_athlete(
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


class Measurement(Entry, table=True):
    """Tape, skinfolds, a scan or a given body-fat value; `body_fat_pct` is what they come to."""

    __tablename__ = "measurement"
    __table_args__ = _of_entry(one_of("method", MeasurementMethod))
    kind: ClassVar[EntryName] = "measurement"
    method: MeasurementMethod = Field(sa_type=String)
    sites: Json | None = Field(default=None, sa_type=Document)
    given_body_fat_pct: float | None = None
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
    __table_args__ = _of_athlete(one_of("state", DeclaredFoodDay))
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
    __table_args__ = _of_athlete(one_of("kind", EntryName), one_of("replaced_by", ReplacedBy))
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
    __table_args__ = (*_of_athlete(), _CLUSTERED)
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
    """Roll-up: one exercise of one session; one-repetition maximum = body_mass_coefficient * mass + intercept_kg."""

    __tablename__ = "session_lift"
    __table_args__ = (*_of_athlete(Index(None, "practice_id", "athlete_id", "date")), _CLUSTERED)
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


_OPEN = text("state = 'open'")  # few of many: what waits for a decision, or for its lapse


class Review(Owned, table=True):
    """The weekly result for one athlete; `document` is kept byte for byte."""

    __tablename__ = "review"
    __table_args__ = _of_athlete(
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
    __table_args__ = _of_athlete(UniqueConstraint("practice_id", "review_id"), one_of("decision", Answer))
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
    __table_args__ = _of_athlete()
    practice_id: uuid.UUID = Field(primary_key=True)
    athlete_id: uuid.UUID = Field(primary_key=True)
    date: dt.date
    severity: int
    attention: Json | None = Field(default=None, sa_type=Document)
    made_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class JobFailure(SQLModel, table=True):
    """Work that could not be done for one athlete; gone when it succeeds."""

    __tablename__ = "job_failure"
    __table_args__ = _of_athlete()
    practice_id: uuid.UUID = Field(primary_key=True)
    athlete_id: uuid.UUID = Field(primary_key=True)
    job: str = Field(primary_key=True)
    error: str
    attempts: int = 1
    failed_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class ImportRun(Owned, table=True):
    """A file of lines taken in."""

    __tablename__ = "import_run"
    __table_args__ = _of_practice(one_of("state", RunState))
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
    __table_args__ = _of_practice()
    practice_id: uuid.UUID = Field(primary_key=True)
    route: str = Field(primary_key=True)
    key: str = Field(primary_key=True)
    request_digest: str
    status: int | None = None
    headers: dict[str, str] | None = Field(default=None, sa_type=Document)
    body: str | None = None
    kept_at: dt.datetime = Field(default_factory=now, sa_type=Instant, index=True)


class OwnFood(Owned, table=True):
    """A practice's own food, or its recipe: then `ingredients` say what it is made of, and its composition follows."""

    __tablename__ = "own_food"
    __table_args__ = _of_practice(
        UniqueConstraint("practice_id", "slug"), one_of("state", PreparationState), one_of("diet", FoodPattern)
    )
    slug: str
    name: str
    food_group: str
    state: PreparationState = Field(sa_type=String)
    diet: FoodPattern | None = Field(default=None, sa_type=String)  # None: that of the ingredients
    allergens: list[str] = Field(default_factory=list, sa_type=Document)
    per_100g: dict[str, float | None] | None = Field(default=None, sa_type=Document)
    ingredients: list[Json] | None = Field(default=None, sa_type=Document)
    yield_g: float | None = None
    unit: Json | None = Field(default=None, sa_type=Document)
    portion: Json | None = Field(default=None, sa_type=Document)
    source: str
    revision: int = 1
    updated_at: dt.datetime = Field(default_factory=now, sa_type=Instant)


class FoodPreferences(SQLModel, table=True):
    """What an athlete never eats, likes, and likes less; every menu keeps to it."""

    __tablename__ = "food_preferences"
    __table_args__ = _of_athlete()
    practice_id: uuid.UUID = Field(primary_key=True)
    athlete_id: uuid.UUID = Field(primary_key=True)
    exclude: list[str] = Field(default_factory=list, sa_type=Document)
    prefer: list[str] = Field(default_factory=list, sa_type=Document)
    less: list[str] = Field(default_factory=list, sa_type=Document)
    revision: int = 1
    updated_at: dt.datetime = Field(default_factory=now, sa_type=Instant)
