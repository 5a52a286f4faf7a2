"""From the rows of training sessions to what their lifts measured, and to suspect sets."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from service.catalogue.exercises import exercises
from service.domain.plausibility.suspect_sets import judge_sets
from service.domain.strength.sets import LiftSet, SessionLift, summarise_sets
from service.store.tables import Json, TrainingSession

HISTORY = timedelta(days=112)  # how far back a lift is compared; prescriptions look as far
Lifts = dict[str, list[tuple[date, SessionLift]]]  # by exercise: days, and what was measured on them


@dataclass(frozen=True)
class JudgedSession:
    """A training session with what it measured, by exercise with a completed work set, and why it is suspect."""

    session: TrainingSession
    summaries: Mapping[str, SessionLift]
    suspect: Json | None  # None: accepted

    def lifts(self) -> list[dict[str, Any]]:
        """The roll-up rows: one per exercise. Of a suspect session sets and pain count, but its maxima are 0."""
        place = {"athlete_id": self.session.athlete_id, "session_id": self.session.id, "date": self.session.date}
        nothing = {} if self.suspect is None else {"body_mass_coefficient": 0.0, "intercept_kg": 0.0}
        return [{**place, "exercise": slug, **vars(summary), **nothing} for slug, summary in self.summaries.items()]


def judge_sessions(sessions: Sequence[TrainingSession], known: Lifts) -> list[JudgedSession]:
    """The sessions of one athlete, by day, each judged by the accepted ones of earlier days.

    Parameters: `sessions`, those from a day on; `known`, what accepted ones before it showed, added to here.
    """
    judged: list[JudgedSession] = []
    by_day: dict[date, list[TrainingSession]] = defaultdict(list)
    for session in sessions:
        by_day[session.date].append(session)
    for day in sorted(by_day):
        today = [
            JudgedSession(session, _summaries(session), None if session.confirmed else _suspect_session(session, known))
            for session in by_day[day]
        ]
        for one in today:
            if one.suspect is None:
                for slug, summary in one.summaries.items():
                    known[slug].append((day, summary))
        judged += today
    return judged


def _suspect_session(session: TrainingSession, known: Lifts) -> Json | None:
    suspects = []
    for slug, places in _by_exercise(session).items():
        known[slug] = [(day, lift) for day, lift in known[slug] if day >= session.date - HISTORY]
        earlier = [lift for _, lift in sorted(known[slug], key=lambda shown: (shown[0], shown[1].top_external_kg))]
        sets = [lift_set(session.sets[place]) for place in places]
        for suspect in judge_sets(exercises()[slug], sets, earlier, deload=session.deload):
            guess_kg = suspect.best_guess_kg
            suspects.append(
                {
                    "pointer": f"/sets/{places[suspect.position]}",
                    "exercise": slug,
                    "reason": suspect.reason,
                    "best_guess_kg": None if guess_kg is None else abs(guess_kg),
                    "best_guess_reps": suspect.best_guess_reps,
                }
            )
    if not suspects:
        return None
    return {"reason": suspects[0]["reason"], "best_guess_kg": suspects[0]["best_guess_kg"], "sets": suspects}


def _by_exercise(session: TrainingSession) -> dict[str, list[int]]:
    """The places of each exercise's sets in a session."""
    places: dict[str, list[int]] = defaultdict(list)
    for place, one in enumerate(session.sets):
        places[one["exercise"]].append(place)
    return places


def lift_set(one: Mapping[str, Any]) -> LiftSet:
    """A stored set as the rules see it."""
    aids = bool(one.get("aids"))
    return LiftSet(
        external_kg(one),
        one.get("reps", 0),
        one.get("rir"),
        one.get("kind"),
        aids,
        one.get("pain"),
        one.get("seconds"),
        one.get("distance_m"),
    )


def external_kg(one: Mapping[str, Any]) -> float:
    """The external load of a stored set; assistance is negative, body weight alone 0."""
    if "load_kg" in one:
        return float(one["load_kg"])
    return float(one["added_kg"] if "added_kg" in one else -one.get("assistance_kg", 0.0))


def counted(one: Mapping[str, Any]) -> float:
    """Repetitions, seconds or metres done in a stored set, as `LiftSet.counted`."""
    done: float = one.get("seconds") or one.get("distance_m") or one.get("reps", 0)
    return done


def _summaries(session: TrainingSession) -> dict[str, SessionLift]:
    """What each exercise of a session with a completed work set measured."""
    summaries = {}
    for slug, places in _by_exercise(session).items():
        exercise = exercises()[slug]
        sets = [lift_set(session.sets[place]) for place in places]
        summaries[slug] = summarise_sets(
            sets,
            body_mass_share=exercise.body_mass_share,
            repetition_curve=exercise.repetition_curve,
            measures_strength=exercise.counts == "reps",
        )
    return {slug: summary for slug, summary in summaries.items() if summary is not None}
