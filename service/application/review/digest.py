"""The digest of a review's inputs: two reviews with the same one are the same."""

import hashlib
from datetime import timedelta
from typing import Any

import numpy as np
import orjson

from service.application.evidence.review_documents import ChangedSince, Score
from service.application.review.case import Case
from service.application.training.care import care_on

ENGINE_VERSION = "3"


def inputs_digest(case: Case, score: Score | None, changed: ChangedSince | None) -> str:
    """SHA-256 of all that a review rests on, as "sha256:…"."""
    logged = [_log(case), _training(case)]
    inputs = [ENGINE_VERSION, logged, case.evidence, case.policy, score, changed]
    return "sha256:" + hashlib.sha256(orjson.dumps(inputs, option=orjson.OPT_SORT_KEYS)).hexdigest()


def _log(case: Case) -> list[list[Any]]:
    """The athlete's logged arrays from the first logged day on."""
    log, index = case.roster.log, case.index
    logged = np.flatnonzero(np.isfinite(log.mass_kg[index]) | np.isfinite(log.intake_kcal[index]))
    start = int(logged[0]) if logged.size else log.days.shape[0]
    columns = (log.mass_kg, log.intake_kcal, log.carbohydrate_g, log.food_state, log.target_kcal, log.phase_day)
    return [[None if value != value else value for value in column[index, start:].tolist()] for column in columns]


def _training(case: Case) -> list[Any]:
    """The plan in force, the latest sessions, and why the athlete starts lighter."""
    plan = case.roster.plan(case.athlete.id, case.evidence.as_of)
    sessions = [
        [session.date, session.sets, session.plan_day, session.deload, *(["suspect"] if session.suspect else [])]
        for session in case.notes.sessions
    ]
    care = care_on(
        case.athlete,
        case.roster.lifts.get(case.athlete.id, {}),
        case.evidence.as_of + timedelta(days=1),
        case.policy.policy,
    )
    return [plan and [plan.from_date, plan.days, plan.gym], sessions, care]
