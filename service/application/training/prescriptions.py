"""From logged sessions, plan and estimates to what the athlete is to lift next."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from functools import cached_property
from math import nan
from typing import Any, NamedTuple

from service.application.evidence.notes import LoggedSession
from service.application.log.session_lifts import counted, external_kg
from service.catalogue.exercises import exercises
from service.catalogue.sentences import render
from service.domain.evidence import Evidence, ScalarEstimate
from service.domain.policy import Policy
from service.domain.rules.gate import Gate
from service.domain.rules.pain import Limit
from service.domain.sentence import Sentence, say
from service.domain.training.care import Care
from service.domain.training.loads import Gym, available_loads
from service.domain.training.plans import PlannedDay, PlannedExercise
from service.domain.training.prescription import LiftSession, Prescription, Scheme, Situation
from service.domain.training.progression import prescribe

DELOAD_DAYS = 7  # an accepted deload lasts a week
MOST_DAYS = 7  # of training in a week
RECENT_DAYS = 42  # without a plan, the lifts trained within so many days are prescribed


@dataclass(frozen=True)
class Trainee:
    """What prescriptions look at: an athlete's sessions (oldest first), the gate, the gym, what is known of lifts.

    `maxima` are one-repetition maxima (system, kg) of trained lifts, for first loads; `deload_week` says whether this
    is a lighter week: the coach has accepted one, or the review recommends it; `care`, why the athlete starts lighter.
    """

    sessions: Sequence[LoggedSession]
    evidence: Evidence
    policy: Policy
    gate: Gate
    gym: Gym
    maxima: Mapping[str, ScalarEstimate]
    deload_week: bool = False
    care: tuple[Care, ...] = ()

    @cached_property
    def histories(self) -> Mapping[str, Sequence[LiftSession]]:
        """The sessions of each exercise, gone through once for all that is prescribed."""
        return histories(self.sessions)

    @cached_property
    def doubted(self) -> frozenset[str]:
        """Exercises of sessions that are in doubt."""
        return frozenset(one["exercise"] for session in self.sessions if session.suspect for one in session.sets)

    @cached_property
    def limits(self) -> Mapping[str, Limit]:
        """Every exercise that the gate stops or holds."""
        return self.gate.limits(exercises())


def next_day(days: Sequence[PlannedDay], sessions: Sequence[LoggedSession]) -> PlannedDay:
    """The day of the plan that comes after the one trained last; the first when none was."""
    names = [day.name for day in days]
    trained = [names.index(session.plan_day) for session in sessions if session.plan_day in names]
    return days[(trained[-1] + 1) % len(days)] if trained else days[0]


def usual_lifts(sessions: Sequence[LoggedSession], on: date) -> tuple[PlannedExercise, ...]:
    """Without a plan: every exercise with work sets of late, in the order in which they were last trained."""
    return tuple(_usual(name) for name in _trained_last(sessions, on))


def _usual(exercise: str) -> PlannedExercise:
    return PlannedExercise(exercise, Scheme(), main=False)


def _trained_last(sessions: Sequence[LoggedSession], on: date) -> dict[str, date]:
    """Every exercise with work sets of late, in the order in which they were taken up, with its latest day."""
    recent = [session for session in sessions if (on - session.date).days <= RECENT_DAYS]
    return {one["exercise"]: session.date for session in recent for one in session.sets if not _is_warm_up(one)}


class WeekDay(NamedTuple):
    """A training day of the coming week: its name and what it asks."""

    name: str
    exercises: tuple[PlannedExercise, ...]


def coming_week(days: Sequence[PlannedDay] | None, sessions: Sequence[LoggedSession], on: date) -> list[WeekDay]:
    """The training days of the week that begins on a day, in the order in which they come.

    The plan's days in turn, the one after that trained last first. Without a plan the latest sessions of late, seven
    at most, oldest first, each lift on the day on which it was trained last; they are named by their weekday.
    """
    if days is not None:
        first = days.index(next_day(days, sessions))
        return [WeekDay(day.name, day.exercises) for day in (*days[first:], *days[:first])][:MOST_DAYS]
    trained_last = _trained_last(sessions, on)
    return [
        WeekDay(f"{day:%A}", tuple(_usual(name) for name, last in trained_last.items() if last == day))
        for day in sorted(set(trained_last.values()))[-MOST_DAYS:]
    ]


def histories(sessions: Sequence[LoggedSession]) -> dict[str, list[LiftSession]]:
    """The sessions of each exercise, oldest first, from logged ones: their heaviest work sets.

    Of a doubted session only the day is known: it has no sets.
    """
    by_exercise: dict[str, list[LiftSession]] = {}
    for session in sessions:
        work_sets: dict[str, list[Mapping[str, Any]]] = {}
        for one in session.sets:
            if not _is_warm_up(one):
                work_sets.setdefault(one["exercise"], []).append(one)
        for name, sets in work_sets.items():
            by_exercise.setdefault(name, []).append(_lift_session(session, sets))
    return by_exercise


def _is_warm_up(one: Mapping[str, Any]) -> bool:
    """Whether a stored set is marked as a warm-up."""
    return one.get("kind") == "warm_up"


def _lift_session(session: LoggedSession, sets: Sequence[Mapping[str, Any]]) -> LiftSession:
    if session.suspect:
        return LiftSession(session.date, nan, (), (), session.deload)
    loads_kg = [external_kg(one) for one in sets]
    top_kg = max(loads_kg)
    heaviest = [one for one, kg in zip(sets, loads_kg, strict=True) if kg >= top_kg - 1e-6]
    done, reserves = tuple(map(counted, heaviest)), tuple([one.get("rir") for one in heaviest])
    return LiftSession(session.date, top_kg, done, reserves, session.deload)


def prescriptions(planned: Sequence[PlannedExercise], trainee: Trainee, on: date) -> list[Prescription]:
    """What to lift of some planned exercises on a day, behind the safety gate."""
    body_mass = trainee.evidence.average_mass_kg
    made = []
    for item in planned:
        exercise = exercises()[item.exercise]
        situation = Situation(
            on=on,
            phase=trainee.evidence.kind,
            body_mass_kg=body_mass.mean if body_mass else None,
            one_rep_max_kg=trainee.maxima.get(item.exercise),
            deload=trainee.deload_week,
            care=trainee.care,
            stopped_until=trainee.gate.stopped_until(exercise),
        )
        history = trainee.histories.get(item.exercise, ())
        loads = available_loads(exercise, trainee.gym, assistance_kg=_assistance_kg(history))
        prescription = prescribe(exercise, item.scheme, history, situation, loads, trainee.policy)
        prescription = _behind_gate(prescription, item.scheme, history, trainee.gate, trainee.limits.get(item.exercise))
        if item.exercise in trainee.doubted:
            prescription = replace(prescription, why=(*prescription.why, _DOUBTED))
        made.append(prescription)
    return made


def _assistance_kg(history: Sequence[LiftSession]) -> float | None:
    """What helped in the last session of a body-weight lift, None where nothing did."""
    lifted = [session.external_kg for session in history if any(session.counts)]
    return -lifted[-1] if lifted and lifted[-1] < 0.0 else None


def is_deload_week(deloads: Sequence[date], on: date) -> bool:
    """Whether a day lies in the week of a deload that the coach accepted; `deloads` are their first days."""
    return any(0 <= (on - first).days < DELOAD_DAYS for first in deloads)


def _behind_gate(
    asked: Prescription, scheme: Scheme, history: Sequence[LiftSession], opened: Gate, limit: Limit | None
) -> Prescription:
    """No lift that is stopped; no more load, repetitions or time while the gate is closed or the lift is held."""
    if not opened.training_open:
        return _stopped(asked, _NO_TRAINING)
    if limit == "stop":
        return asked if asked.rule == "stop" else _stopped(asked, _HURTS)
    wanted = asked.external_kg
    if wanted is None or (opened.load_open and limit is None):
        return asked
    why = (_HELD,) if opened.load_open else (_NO_LOAD,)
    lifted = [session.external_kg for session in history if any(session.counts)]
    if not lifted:
        return replace(_loaded(asked, None), rule="find", why=why)
    if asked.rule in _GROWS or wanted > lifted[-1]:
        held = _loaded(asked, min(wanted, lifted[-1]))
        return replace(held, least=scheme.least, most=scheme.most, rule="hold", why=why)
    if limit is None:
        return asked
    return replace(asked, why=why if asked.rule == "hold" else (*asked.why, *why))


def _stopped(asked: Prescription, why: Sentence) -> Prescription:
    return replace(_loaded(asked, None), sets=0, least=0, most=0, rule="stop", why=(why,))


def _loaded(asked: Prescription, external_kg: float | None) -> Prescription:
    """The prescription with another external load (assistance negative), or with none."""
    hangs = asked.load_kg is None
    return replace(
        asked,
        load_kg=None if hangs else external_kg,
        added_kg=external_kg if hangs and external_kg is not None and external_kg >= 0.0 else None,
        assistance_kg=-external_kg if hangs and external_kg is not None and external_kg < 0.0 else None,
    )


_GROWS = ("add_load", "add_reps", "add_time", "add_distance")
_HURTS = say("lift.hurts")
_HELD = say("lift.held")
_NO_TRAINING = say("lift.no_training")
_DOUBTED = say("lift.doubted")
_NO_LOAD = say("lift.no_more_load")


def body(prescription: Prescription, day: str | None = None) -> dict[str, Any]:
    """A prescription as reviews and `/prescriptions` show it: a range of what the exercise counts.

    Parameters: `day`, the name of the training day, where it is one of several.
    """
    loads = {name: getattr(prescription, name) for name in ("load_kg", "added_kg", "assistance_kg")}
    counts = exercises()[prescription.exercise].counts
    return {
        **({} if day is None else {"day": day}),
        "exercise": prescription.exercise,
        "sets": prescription.sets,
        counts: {"from": prescription.least, "to": prescription.most},
        **({"rir": prescription.rir} if counts == "reps" else {}),
        **{name: round(load, 3) for name, load in loads.items() if load is not None},
        "rule": prescription.rule,
        "why": render(*prescription.why),
    }
