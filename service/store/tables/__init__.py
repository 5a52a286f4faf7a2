"""Every table, each by what it is about; whoever imports one has them all, and so the whole schema."""

from service.store.tables.base import Json, metadata
from service.store.tables.food import FoodPreferences, OwnFood
from service.store.tables.log import (
    AthleteDay,
    Entry,
    EntryRevision,
    FoodDay,
    Meal,
    Measurement,
    SessionLift,
    TrainingSession,
    WeighIn,
    WellbeingNote,
)
from service.store.tables.people import ApiKey, Athlete, Practice, Screening
from service.store.tables.plan import Phase, PolicyVersion, Restriction, Target, TrainingPlan
from service.store.tables.review import CheckIn, Decision, Replay, Review
from service.store.tables.work import IdempotentAnswer, ImportRun, JobFailure

__all__ = [
    "ApiKey",
    "Athlete",
    "AthleteDay",
    "CheckIn",
    "Decision",
    "Entry",
    "EntryRevision",
    "FoodDay",
    "FoodPreferences",
    "IdempotentAnswer",
    "ImportRun",
    "JobFailure",
    "Json",
    "Meal",
    "Measurement",
    "OwnFood",
    "Phase",
    "PolicyVersion",
    "Practice",
    "Replay",
    "Restriction",
    "Review",
    "Screening",
    "SessionLift",
    "Target",
    "TrainingPlan",
    "TrainingSession",
    "WeighIn",
    "WellbeingNote",
    "metadata",
]
