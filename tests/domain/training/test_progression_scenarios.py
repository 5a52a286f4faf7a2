"""Sixteen weeks of a novice and of an advanced lifter through build and cut, to be read by a coach's eye.

The golden files hold every session: what was prescribed and why, and what the simulated lifter then did. After a
wanted change, look at the new text and write it with `python -m tests.domain.training.test_progression_scenarios`.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from math import floor
from pathlib import Path

import pytest

from service.catalogue.exercises import exercises
from service.catalogue.sentences import render
from service.domain.evidence import Kind
from service.domain.policy import DEFAULT
from service.domain.training.loads import IN_KILOGRAMS, IN_POUNDS, POUND_KG, Gym, available_loads
from service.domain.training.prescription import LiftSession, Prescription, Scheme, Situation
from service.domain.training.progression import prescribe

GOLDEN = Path(__file__).parent / "golden"
START = date(2026, 1, 5)
WEEKS = 16


@dataclass(frozen=True)
class Lifter:
    """A lifter's life: a lift, its true maximum by week, the first load, and days missed."""

    exercise: str
    gym: Gym
    scheme: Scheme
    first_kg: float
    maximum_kg: tuple[float, ...]  # system, one for each week
    mass_kg: float
    cut_from_week: int
    away: tuple[int, ...] = ()  # weeks without training


def _path(start: float, weekly_pct: tuple[tuple[int, float], ...]) -> tuple[float, ...]:
    """Maxima of the weeks from rates: (weeks, per cent a week), one after the other."""
    values = [start]
    for weeks, pct in weekly_pct:
        for _ in range(weeks):
            values.append(values[-1] * (1 + pct / 100))
    return tuple(values[:WEEKS])


LIFTERS = {
    "novice-barbell-row": Lifter(
        "barbell-row", IN_KILOGRAMS, Scheme(3, 6, 10, 2), 40.0, _path(58, ((10, 1.4), (6, -0.3))), 74.0, 10
    ),
    "novice-pull-up": Lifter(
        "pull-up", IN_KILOGRAMS, Scheme(3, 6, 10, 2), -15.0, _path(82, ((10, 2.2), (6, 0.2))), 74.0, 10
    ),
    "advanced-romanian-deadlift": Lifter(
        "romanian-deadlift",
        IN_POUNDS,
        Scheme(4, 6, 10, 2),
        315 * POUND_KG,
        _path(190, ((8, 0.3), (8, -1.0))),
        92.0,
        8,
    ),
    "advanced-one-arm-dumbbell-row": Lifter(
        "one-arm-dumbbell-row",
        IN_KILOGRAMS,
        Scheme(3, 6, 10, 2),
        42.0,
        _path(56, ((16, 0.25),)),
        92.0,
        12,
        away=(6, 7),
    ),
}


def reps_done(load_kg: float, maximum_kg: float, scheme: Scheme, tired: int) -> int:
    """Repetitions until the asked reserve is left: 1RM = load · (1 + r/30), less half a repetition a set."""
    able = 30 * (maximum_kg / load_kg - 1) - 0.5 * tired - scheme.rir
    return max(0, min(scheme.most, floor(able)))


def story(lifter: Lifter) -> str:
    """What happens, as text: a line for each session."""
    exercise = exercises()[lifter.exercise]
    loads = available_loads(exercise, lifter.gym)
    history = [LiftSession(START - timedelta(days=3), lifter.first_kg, (lifter.scheme.least,) * lifter.scheme.sets)]
    last_deload, lines = START, list[str]()
    for week in range(WEEKS):
        phase: Kind = "cut" if week >= lifter.cut_from_week else "build"
        for day in (0, 3) if week not in lifter.away else ():
            on = START + timedelta(weeks=week, days=day)
            due = (on - last_deload).days >= 7 * DEFAULT.deload_max_weeks
            now = Situation(on, phase, lifter.mass_kg, deload=due)
            one = prescribe(exercise, lifter.scheme, history, now, loads, DEFAULT)
            lines.append(f"week {week + 1:2d} {phase:5s} {_text(one, lifter.gym)}")
            session = _train(one, lifter, on, week)
            lines[-1] += f" -> {' '.join(map(str, session.counts))}\n    {render(*one.why)}"
            history.append(session)
            if one.rule == "deload" and day == 3:
                last_deload = on
    return "\n".join([*lines, ""])


def _train(one: Prescription, lifter: Lifter, on: date, week: int) -> LiftSession:
    signed = (one.load_kg, one.added_kg, None if one.assistance_kg is None else -one.assistance_kg)
    external = next(load for load in signed if load is not None)
    system = external + exercises()[one.exercise].body_mass_share * lifter.mass_kg
    scheme = Scheme(one.sets, one.least, one.most, one.rir)
    reps = tuple(reps_done(system, lifter.maximum_kg[week], scheme, tired) for tired in range(one.sets))
    return LiftSession(on, external, reps, (2.0,) * one.sets, one.rule == "deload")


def _text(one: Prescription, gym: Gym) -> str:
    unit = "lb" if gym is IN_POUNDS else "kg"
    for words, load in (("", one.load_kg), ("+", one.added_kg), ("assisted by ", one.assistance_kg)):
        if load is not None:
            reps = f"{one.least}-{one.most}"
            return f"{one.sets} x {reps} {words}{load / gym.unit_kg:g} {unit} RIR {one.rir} [{one.rule}]"
    return f"no load [{one.rule}] {render(*one.why)}"


@pytest.mark.parametrize("name", LIFTERS)
def test_sixteen_weeks_read_as_a_coach_would_write_them(name: str) -> None:
    assert story(LIFTERS[name]) == (GOLDEN / f"{name}.txt").read_text(encoding="utf-8")


def test_every_change_of_load_has_its_reason() -> None:
    """A load moves only by a rule that says so, and in a cut it never rises."""
    for name in LIFTERS:
        lines = [line for line in (GOLDEN / f"{name}.txt").read_text(encoding="utf-8").splitlines() if "[" in line]
        before = ""
        for line in lines:
            load = line.split(" x ")[-1].split(" ", 1)[-1].split(" RIR")[0]
            rule = line.split("[")[1].split("]")[0]
            if before and load != before and rule != "stop":
                deloaded = rule in ("add_load", "back_off", "deload", "return")
                assert deloaded or "deload" in lines[lines.index(line) - 1], line
            assert " cut " not in line or rule != "add_load", line
            before = load


if __name__ == "__main__":
    for key, lifter in LIFTERS.items():
        (GOLDEN / f"{key}.txt").write_text(story(lifter), encoding="utf-8")
