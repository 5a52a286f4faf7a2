"""From the rows of training sessions to what their lifts measured, and to suspect sets."""

import uuid
from bisect import insort
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, NamedTuple

from service.application.log.changes import EntryId
from service.catalogue.exercises import exercises
from service.domain.plausibility.suspect_sets import Shown, judge_sets, shown
from service.domain.strength.sets import LiftSet, SessionLift, pain_only, summarise_sets
from service.store.tables import Json

HISTORY = timedelta(days=112)  # how far back a lift is compared; prescriptions look as far
Lifts = dict[str, list[tuple[date, Shown]]]  # by exercise: days, oldest first, and what was shown on them
Sets = dict[str, list[tuple[int, LiftSet]]]  # by exercise: the places of its sets in a session, and the sets


LIFT_COLUMNS = ("athlete_id", "session_id", "date", "exercise", *SessionLift._fields)


class Trained(NamedTuple):
    """What is looked at of a training session."""

    id: EntryId
    athlete_id: uuid.UUID
    date: date
    suspect: Json | None
    confirmed: bool
    deload: bool
    sets: Sequence[Json]


@dataclass(frozen=True)
class JudgedSession:
    """A training session with what it measured, by exercise with a completed work set, and why it is suspect.

    `hurt` are the exercises without one in which pain was noted.
    """

    session: Trained
    summaries: Mapping[str, SessionLift]
    hurt: Mapping[str, SessionLift]
    suspect: Json | None  # None: accepted

    def lifts(self) -> list[tuple[Any, ...]]:
        """The roll-up rows, as `LIFT_COLUMNS`: one per exercise that was done, or that hurt.

        Of a suspect session sets and pain count, but its maxima are 0.
        """
        session = self.session
        place = (session.athlete_id, session.id, session.date)
        return [
            (
                *place,
                slug,
                *(summary if self.suspect is None else summary._replace(body_mass_coefficient=0.0, intercept_kg=0.0)),
            )
            for slug, summary in (*self.summaries.items(), *self.hurt.items())
        ]


def judge_sessions(sessions: Sequence[Trained], known: Lifts) -> list[JudgedSession]:
    """The sessions of one athlete, by day, each judged by the accepted ones of earlier days.

    Parameters: `sessions`, those from a day on; `known`, what accepted ones before it showed, added to here.
    """
    judged: list[JudgedSession] = []
    by_day: dict[date, list[Trained]] = defaultdict(list)
    for session in sessions:
        by_day[session.date].append(session)
    for of_exercise in known.values():
        of_exercise.sort(key=_age)
    for day in sorted(by_day):
        today = [_judged(session, known) for session in by_day[day]]
        for one in today:
            if one.suspect is None:
                for slug, summary in one.summaries.items():
                    _add(known[slug], (day, shown(exercises()[slug], summary)))
        judged += today
    return judged


def _add(before: list[tuple[date, Shown]], latest: tuple[date, Shown]) -> None:
    if before and before[-1][0] >= latest[0]:
        insort(before, latest, key=_age)
    else:
        before.append(latest)


def _age(of_day: tuple[date, Shown]) -> tuple[date, float]:
    """The order of earlier sessions: by day, on one day the lighter first."""
    return of_day[0], of_day[1].lift.top_external_kg


def _judged(session: Trained, known: Lifts) -> JudgedSession:
    sets = _by_exercise(session)
    suspect = None if session.confirmed else _suspect_session(session, sets, known)
    summaries = _summaries(sets)
    pains = {slug: pain_only([one for _, one in sets[slug]]) for slug in sets.keys() - summaries.keys()}
    hurt = {slug: pain for slug, pain in sorted(pains.items()) if pain is not None}
    return JudgedSession(session, summaries, hurt, suspect)


def _suspect_session(session: Trained, by_exercise: Sets, known: Lifts) -> Json | None:
    suspects = []
    oldest = session.date - HISTORY
    for slug, sets in by_exercise.items():
        before = known[slug]
        if before and before[0][0] < oldest:
            before = known[slug] = [one for one in before if one[0] >= oldest]
        earlier = [one[1] for one in before]
        for suspect in judge_sets(exercises()[slug], [one[1] for one in sets], earlier, deload=session.deload):
            guess_kg = suspect.best_guess_kg
            suspects.append(
                {
                    "pointer": f"/sets/{sets[suspect.position][0]}",
                    "exercise": slug,
                    "reason": suspect.reason,
                    "best_guess_kg": None if guess_kg is None else abs(guess_kg),
                    "best_guess_reps": suspect.best_guess_reps,
                }
            )
    if not suspects:
        return None
    return {"reason": suspects[0]["reason"], "best_guess_kg": suspects[0]["best_guess_kg"], "sets": suspects}


def _by_exercise(session: Trained) -> Sets:
    sets: Sets = defaultdict(list)
    for place, one in enumerate(session.sets):
        sets[one["exercise"]].append((place, lift_set(one)))
    return sets


def lift_set(one: Mapping[str, Any]) -> LiftSet:
    """A stored set as the rules see it."""
    get = one.get
    return LiftSet(
        external_kg(one),
        get("reps", 0),
        get("rir"),
        get("kind"),
        bool(get("aids")),
        get("pain"),
        get("seconds"),
        get("distance_m"),
    )


def external_kg(one: Mapping[str, Any]) -> float:
    """The external load of a stored set; assistance is negative, body weight alone 0."""
    for name in ("load_kg", "added_kg"):
        if name in one:
            return float(one[name])
    return -float(one["assistance_kg"]) if "assistance_kg" in one else 0.0


def counted(one: Mapping[str, Any]) -> float:
    """Repetitions, seconds or metres done in a stored set, as `LiftSet.counted`."""
    done: float = one.get("seconds") or one.get("distance_m") or one.get("reps", 0)
    return done


def _summaries(by_exercise: Sets) -> dict[str, SessionLift]:
    """What each exercise of a session with a completed work set measured."""
    summaries = {}
    for slug, sets in by_exercise.items():
        exercise = exercises()[slug]
        summary = summarise_sets(
            [one for _, one in sets],
            body_mass_share=exercise.body_mass_share,
            repetition_curve=exercise.repetition_curve,
            measures_strength=exercise.counts == "reps",
        )
        if summary is not None:
            summaries[slug] = summary
    return summaries
