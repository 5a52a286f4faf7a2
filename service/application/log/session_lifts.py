"""From the rows of training sessions to what their lifts measured, and to doubts about mistyped sets."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

from service.catalogue.exercises import exercises
from service.domain.plausibility.suspect_sets import doubtful_sets
from service.domain.strength.sets import LiftSet, summarise_sets

HISTORY = timedelta(days=112)  # how far back a lift is compared; prescriptions look as far
Lifts = dict[str, list[tuple[date, Any]]]  # by exercise: days, and what was measured on them


@dataclass(frozen=True)
class Judged:
    """A training session with what it measured, by exercise with a completed work set, and the doubt about it."""

    session: Any
    summaries: Mapping[str, Any]
    doubt: dict[str, Any] | None  # None: accepted

    def lifts(self) -> list[dict[str, Any]]:
        """The roll-up rows: one per exercise. Of a doubted session sets and pain count, but its maxima are 0."""
        place = {"athlete_id": self.session.athlete_id, "session_id": self.session.id, "date": self.session.date}
        nothing = {} if self.doubt is None else {"body_mass_coefficient": 0.0, "intercept_kg": 0.0}
        return [{**place, "exercise": slug, **vars(summary), **nothing} for slug, summary in self.summaries.items()]


def judge_sessions(rows: Sequence[Any], known: Lifts) -> list[Judged]:
    """The sessions of one athlete, by day, each judged by the accepted ones of earlier days.

    Parameters: `rows`, the sessions from a day on; `known`, what accepted ones before it showed, added to here.
    """
    judged: list[Judged] = []
    by_day: dict[date, list[Any]] = defaultdict(list)
    for row in rows:
        by_day[row.date].append(row)
    for day in sorted(by_day):
        today = [
            Judged(row, _summaries(row), None if row.confirmed else _doubt_of_session(row, known))
            for row in by_day[day]
        ]
        for one in today:
            if one.doubt is None:
                for slug, summary in one.summaries.items():
                    known[slug].append((day, summary))
        judged += today
    return judged


def _doubt_of_session(session: Any, known: Lifts) -> dict[str, Any] | None:
    found = []
    for slug, places in _by_exercise(session).items():
        known[slug] = [(day, one) for day, one in known[slug] if day >= session.date - HISTORY]
        earlier = [one for _, one in sorted(known[slug], key=lambda shown: (shown[0], shown[1].top_external_kg))]
        sets = [_lift_set(session.sets[place]) for place in places]
        for doubt in doubtful_sets(exercises()[slug], sets, earlier, deload=session.deload):
            guess_kg = doubt.best_guess_kg
            found.append(
                {
                    "pointer": f"/sets/{places[doubt.position]}",
                    "exercise": slug,
                    "reason": doubt.reason,
                    "best_guess_kg": None if guess_kg is None else abs(guess_kg),
                    "best_guess_reps": doubt.best_guess_reps,
                }
            )
    if not found:
        return None
    return {"reason": found[0]["reason"], "best_guess_kg": found[0]["best_guess_kg"], "sets": found}


def _by_exercise(session: Any) -> dict[str, list[int]]:
    """The places of each exercise's sets in a session."""
    places: dict[str, list[int]] = defaultdict(list)
    for place, one in enumerate(session.sets):
        places[one["exercise"]].append(place)
    return places


def _lift_set(one: Mapping[str, Any]) -> LiftSet:
    aids = bool(one.get("aids"))
    return LiftSet(external_kg(one), one["reps"], one.get("rir"), one.get("kind"), aids, one.get("pain"))


def external_kg(one: Mapping[str, Any]) -> float:
    """The external load of a stored set; assistance is negative, body weight alone 0."""
    return float(one.get("load_kg", one.get("added_kg", -one.get("assistance_kg", 0.0))))


def _summaries(session: Any) -> dict[str, Any]:
    """What each exercise of a session with a completed work set measured."""
    found = {}
    for slug, places in _by_exercise(session).items():
        exercise = exercises()[slug]
        sets = [_lift_set(session.sets[place]) for place in places]
        found[slug] = summarise_sets(
            sets, body_mass_share=exercise.body_mass_share, repetition_curve=exercise.repetition_curve
        )
    return {slug: summary for slug, summary in found.items() if summary is not None}
