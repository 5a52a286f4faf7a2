"""From logged sessions, plan and estimates to what the athlete is to lift next."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from math import nan
from typing import Any

from service.application.log.session_lifts import external_kg
from service.catalogue.exercises import exercises
from service.domain.evidence import Evidence, ScalarEstimate
from service.domain.policy import Policy
from service.domain.rules.gate import Gate
from service.domain.training.loads import IN_KILOGRAMS, IN_POUNDS, Gym, available_loads
from service.domain.training.progression import LiftSession, Prescription, Scheme, Situation, prescribe

GRAVE = {"safety.symptoms", "safety.symptoms_repeated"}  # chest pain, fainting: no load at all until cleared
DELOAD_DAYS = 7  # an accepted deload lasts a week
RECENT_DAYS = 42  # without a plan, the lifts trained within so many days are prescribed


@dataclass(frozen=True)
class Item:
    """One exercise of a day of the plan."""

    exercise: str
    scheme: Scheme


@dataclass(frozen=True)
class Day:
    """A day of the plan."""

    name: str
    items: tuple[Item, ...]


def gym_of(plan: Any) -> Gym:
    """What the plan says the gym has; a usual gym in kilograms when it says nothing."""
    said = dict(plan.gym or {}) if plan is not None else {}
    base = IN_POUNDS if said.pop("unit", "kg") == "lb" else IN_KILOGRAMS
    return replace(base, **said)


def days_of(plan: Any) -> tuple[Day, ...]:
    """The days of a training plan, in their order."""
    return tuple(
        Day(
            day["name"],
            tuple(
                Item(
                    item["exercise"],
                    Scheme(item["sets"], item["reps"]["from"], item["reps"]["to"], item["rir"], item["rest_s"]),
                )
                for item in day["exercises"]
            ),
        )
        for day in plan.days
    )


def next_day(plan: Any, sessions: Sequence[Any]) -> Day:
    """The day of the plan that comes after the one trained last; the first when none was."""
    days = days_of(plan)
    names = [day.name for day in days]
    trained = [session.plan_day for session in sessions if session.plan_day in names]
    return days[(names.index(trained[-1]) + 1) % len(days)] if trained else days[0]


def usual_lifts(sessions: Sequence[Any], on: date) -> tuple[Item, ...]:
    """Without a plan: every exercise with work sets of late, in the order in which they were last trained."""
    recent = [session for session in sessions if (on - session.date).days <= RECENT_DAYS]
    names = [one["exercise"] for session in recent for one in session.sets if one.get("kind") != "warm_up"]
    return tuple(Item(name, Scheme()) for name in dict.fromkeys(names))


def histories(sessions: Sequence[Any]) -> dict[str, list[LiftSession]]:
    """The sessions of each exercise, oldest first, from logged ones: their heaviest work sets.

    Of a doubted session only the day and the pain are known: it has no sets.
    """
    found: dict[str, list[LiftSession]] = {}
    for session in sessions:
        by_exercise: dict[str, list[dict[str, Any]]] = {}
        for one in session.sets:
            if one.get("kind") != "warm_up":
                by_exercise.setdefault(one["exercise"], []).append(one)
        for name, sets in by_exercise.items():
            top = max(map(external_kg, sets))
            work = [] if session.suspect else [one for one in sets if external_kg(one) >= top - 1e-6]
            pains = [one["pain"] for one in sets if one.get("pain") is not None]
            found.setdefault(name, []).append(
                LiftSession(
                    session.date,
                    nan if session.suspect else top,
                    tuple(one["reps"] for one in work),
                    tuple(one.get("rir") for one in work),
                    max(pains, default=None),
                    session.deload,
                )
            )
    return found


def prescriptions(
    items: Sequence[Item],
    sessions: Sequence[Any],
    evidence: Evidence,
    policy: Policy,
    opened: Gate,
    on: date,
    gym: Gym,
    maxima: Mapping[str, ScalarEstimate],
    deload_week: bool = False,
) -> list[Prescription]:
    """What to lift on a day, behind the safety gate.

    Parameters
    ----------
    items : sequence of Item
        The exercises and their schemes.
    sessions : sequence of rows of `training_session`
        What was trained, oldest first.
    evidence, policy
        What the rules know, and the thresholds.
    opened : Gate
        The safety gate, as it stands for this athlete.
    on : date
        The day of training.
    gym : Gym
        Which loads there are.
    maxima : dict
        One-repetition maxima (system, kg) of trained lifts, for first loads.
    deload_week : bool
        Whether this is a lighter week: the coach has accepted one, or the review recommends it.
    """
    grave = bool(GRAVE & set(opened.closed_by))
    trained = histories(sessions)
    doubted = {one["exercise"] for session in sessions if session.suspect for one in session.sets}
    made = []
    for item in items:
        exercise = exercises()[item.exercise]
        situation = Situation(
            on=on,
            phase=evidence.kind,
            body_mass_kg=evidence.average_mass_kg.mean if evidence.average_mass_kg else None,
            one_rep_max_kg=maxima.get(item.exercise),
            deload=deload_week,
        )
        history = trained.get(item.exercise, ())
        one = prescribe(exercise, item.scheme, history, situation, available_loads(exercise, gym), policy)
        hurts = item.exercise in opened.closed_exercises
        one = _stopped(one, _NO_TRAINING) if grave else _behind_gate(one, history, opened.load_open, hurts)
        made.append(replace(one, why=f"{one.why} {_DOUBTED}") if item.exercise in doubted else one)
    return made


def is_deload_week(deloads: Sequence[date], on: date) -> bool:
    """Whether a day lies in the week of a deload that the coach accepted; `deloads` are their first days."""
    return any(0 <= (on - first).days < DELOAD_DAYS for first in deloads)


def _behind_gate(one: Prescription, history: Sequence[LiftSession], load_open: bool, stopped: bool) -> Prescription:
    """No lift that hurts, and no more load than last time while the gate is closed."""
    if stopped and one.rule != "stop":
        return _stopped(one, "This lift hurt again: stop it and swap it until a licensed professional has cleared it.")
    wanted = one.external_kg
    if load_open or wanted is None:
        return one
    lifted = [session.external_kg for session in history if any(session.reps)]
    if not lifted:
        return replace(_loaded(one, None), rule="find", why=_NO_LOAD)
    last = lifted[-1]
    return one if wanted <= last else replace(_loaded(one, last), rule="hold", why=_NO_LOAD)


def _stopped(one: Prescription, why: str) -> Prescription:
    return replace(_loaded(one, None), sets=0, reps_from=0, reps_to=0, rule="stop", why=why)


def _loaded(one: Prescription, external_kg: float | None) -> Prescription:
    """The prescription with another external load (assistance negative), or with none."""
    hangs = one.load_kg is None
    return replace(
        one,
        load_kg=None if hangs else external_kg,
        added_kg=external_kg if hangs and external_kg is not None and external_kg >= 0.0 else None,
        assistance_kg=-external_kg if hangs and external_kg is not None and external_kg < 0.0 else None,
    )


_NO_TRAINING = "No training after such symptoms until a licensed professional has cleared it (see the safety findings)."
_DOUBTED = "A doubted session with this lift is left out until it is confirmed or mended."
_NO_LOAD = "No more load than last time until a licensed professional has cleared it (see the safety findings)."


def body(one: Prescription) -> dict[str, Any]:
    """A prescription as reviews and `/prescriptions` show it."""
    loads = {name: getattr(one, name) for name in ("load_kg", "added_kg", "assistance_kg")}
    return {
        "exercise": one.exercise,
        "sets": one.sets,
        "reps": {"from": one.reps_from, "to": one.reps_to},
        "rir": one.rir,
        **{name: round(load, 3) for name, load in loads.items() if load is not None},
        "rule": one.rule,
        "why": one.why,
    }
