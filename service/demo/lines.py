"""A simulated world as import lines (NDJSON objects): athletes first, then each athlete's entries by day."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.random import Generator

from service.demo.lifters import LIFTS, PULL_UP, Training
from service.demo.records import FAST, FOOD_STATE_NAMES, NO_PHASE, PHASE_NAMES, World

Line = dict[str, Any]

METHOD_NAMES = ("tape", "skinfold", "scan")


@dataclass(frozen=True)
class Enrolment:
    """What an athlete line says beyond the simulated body, and from which day on the log is sent."""

    external_id: str
    time_zone: str = "UTC"
    first_day: int = 0  # index of the first day that is sent
    method: str = "skinfold"  # of body-fat measurements
    meals_per_day: int = 3
    further: tuple[tuple[str, Any], ...] = ()  # further fields of the athlete line: name, experience, goal, …


def _birth_date(birth_year: float) -> str:
    year = int(birth_year)
    return (date(year, 1, 1) + timedelta(days=round((birth_year - year) * 365))).isoformat()


def athlete_line(world: World, athlete: int, enrolment: Enrolment) -> Line:
    """The line that makes the athlete known."""
    profile = world.profile
    line: Line = {
        "type": "athlete",
        "external_id": enrolment.external_id,
        "sex": "male" if profile.male[athlete] else "female",
        "birth_date": _birth_date(float(profile.birth_year[athlete])),
        "height_cm": float(profile.height_cm[athlete]),
        "time_zone": enrolment.time_zone,
        "meals_per_day": enrolment.meals_per_day,
    }
    if np.isfinite(profile.activity_factor[athlete]):
        line["activity_factor"] = round(float(profile.activity_factor[athlete]), 2)
    return line | dict(enrolment.further)


def _split(total: float, shares: np.ndarray[Any, Any], decimals: int) -> list[float]:
    """Parts of a rounded total that add up to it exactly, in units of the last decimal."""
    unit = 10**decimals
    whole = round(total * unit)
    edges = np.round(np.concatenate([[0.0], np.cumsum(shares)]) / shares.sum() * whole)
    return [float(part) / unit for part in np.diff(edges)]


def _meal_lines(
    rng: Generator, energy_kcal: float, carbohydrate_g: float, mass_kg: float, slots: Sequence[int]
) -> Iterator[Line]:
    """Meals that add up to the day; protein 1.6–2.4 g/kg where the energy allows, fat is the rest of the energy."""
    shares = rng.uniform(0.7, 1.3, len(slots))
    day: dict[str, tuple[float, int]] = {"energy_kcal": (energy_kcal, 0)}
    protein = min(rng.uniform(1.6, 2.4) * mass_kg * len(slots) / (slots[-1] or 1), 0.4 * energy_kcal / 4)
    day["protein_g"] = (protein, 1)
    if np.isfinite(carbohydrate_g):
        carbohydrate = min(carbohydrate_g, 0.9 * energy_kcal / 4 - protein)
        day["fat_g"] = ((energy_kcal - 4 * protein - 4 * carbohydrate) / 9, 1)
        day["carbohydrate_g"] = (carbohydrate, 1)
        day["fibre_g"] = (energy_kcal * rng.uniform(0.009, 0.016), 1)
    parts = {name: _split(total, shares, decimals) for name, (total, decimals) in day.items()}
    for number, slot in enumerate(slots):
        yield {"slot": slot, **{name: values[number] for name, values in parts.items()}}


def _food_lines(rng: Generator, world: World, athlete: int, day: int, meals: int) -> Iterator[Line]:
    log = world.log
    state, energy = int(log.food_state[athlete, day]), float(log.intake_kcal[athlete, day])
    if np.isfinite(energy) and state != FAST:
        partial = world.truth.intake_kcal[athlete, day] * world.truth.reporting_factor[athlete, day] > 1.25 * energy
        slots = list(range(1, max(meals - 1, 1) + 1)) if partial else list(range(1, meals + 1))
        mass = float(world.truth.tissue_mass_kg[athlete, day])
        for meal in _meal_lines(rng, energy, float(log.carbohydrate_g[athlete, day]), mass, slots):
            yield {"type": "meal", **meal}
    if state in FOOD_STATE_NAMES:
        yield {"type": "food_day", "state": FOOD_STATE_NAMES[state]}


def _phase_line(world: World, athlete: int, day: int) -> Line:
    log = world.log
    length = int(world.phase_days[athlete, day]) - int(log.phase_day[athlete, day])
    line: Line = {
        "type": "phase",
        "kind": PHASE_NAMES[int(log.phase[athlete, day])],
        "starts_on": str(log.days[day]),
        "planned_end_on": str(log.days[day] + length),
    }
    if np.isfinite(log.target_kcal[athlete, day]):
        line["energy_kcal"] = float(log.target_kcal[athlete, day])
    return line


def _day_lines(rng: Generator, world: World, athlete: int, day: int, enrolment: Enrolment) -> Iterator[Line]:
    log = world.log
    begins = log.phase_day[athlete, day] == 1 or day == enrolment.first_day
    if begins and log.phase[athlete, day] != NO_PHASE:
        yield _phase_line(world, athlete, day)
    elif day > enrolment.first_day and abs(log.target_kcal[athlete, day] - log.target_kcal[athlete, day - 1]) > 0:
        yield {"type": "targets", "from_date": str(log.days[day]), "energy_kcal": float(log.target_kcal[athlete, day])}
    if np.isfinite(log.body_fat_pct[athlete, day]):
        yield {"type": "measurement", "body_fat_pct": float(log.body_fat_pct[athlete, day]), "method": enrolment.method}
    if np.isfinite(log.mass_kg[athlete, day]):
        yield {"type": "weigh_in", "mass_kg": float(log.mass_kg[athlete, day])}
    if log.menstruation_started[athlete, day]:
        yield {"type": "wellbeing", "menstruation": "started"}
    yield from _food_lines(rng, world, athlete, day, enrolment.meals_per_day)


def _sessions(training: Training) -> dict[tuple[int, int], list[Line]]:
    """The sets of each session by (athlete, day), as import lines have them."""
    sessions: dict[tuple[int, int], list[Line]] = {}
    for i in range(len(training.day)):
        lift, load = int(training.lift[i]), float(training.load_kg[i])
        item: Line = {"exercise": LIFTS[lift]}
        if lift != PULL_UP:
            item["load_kg"] = load
        elif load != 0:
            item["added_kg" if load > 0 else "assistance_kg"] = abs(load)
        item["reps"] = int(training.reps[i])
        if np.isfinite(training.rir[i]):
            item["rir"] = float(training.rir[i])
        if training.marked_warm_up[i]:
            item["kind"] = "warm_up"
        sessions.setdefault((int(training.athlete[i]), int(training.day[i])), []).append(item)
    for (athlete, day), sets in sessions.items():
        squatted = any(item["exercise"] == "back-squat" for item in sets)
        sets += _planks(day) if squatted else _carries(training, athlete, day)
    return sessions


def _planks(day: int) -> list[Line]:
    """Two planks, longer month by month up to a minute."""
    seconds = min(30 + 5 * (day // 28), 60)
    return [{"exercise": "plank", "seconds": seconds}, {"exercise": "plank", "seconds": seconds - 5}]


def _carries(training: Training, athlete: int, day: int) -> list[Line]:
    """Two carries at about a fifth of the first day's hinge in each hand, heavier month by month."""
    hinge_kg = float(training.one_rep_max_kg[athlete, 0, LIFTS.index("romanian-deadlift")])
    load_kg = max(2.0 * round(hinge_kg * (0.2 + 0.01 * (day // 28)) / 2.0), 4.0)
    return [{"exercise": "farmers-carry", "load_kg": load_kg, "distance_m": distance_m} for distance_m in (40, 30)]


def world_lines(world: World, training: Training, enrolments: Sequence[Enrolment], rng: Generator) -> Iterator[Line]:
    """All import lines of a world: the athlete lines, then athlete by athlete everything else in the order of days.

    Meals get macronutrients that add up to the logged day. Warm-ups and effort are said only where the lifter says so.
    """
    for athlete, enrolment in enumerate(enrolments):
        yield athlete_line(world, athlete, enrolment)
    sessions = _sessions(training)
    for athlete, enrolment in enumerate(enrolments):
        for day in range(enrolment.first_day, len(world.log.days)):
            stamp = {"athlete": enrolment.external_id}
            when = str(world.log.days[day])
            for line in _day_lines(rng, world, athlete, day, enrolment):
                dated = {} if line["type"] in ("phase", "targets") else {"date": when}
                yield {"type": line["type"], **stamp, **dated, **{k: v for k, v in line.items() if k != "type"}}
            if (athlete, day) in sessions:
                yield {"type": "training_session", **stamp, "date": when, "sets": sessions[athlete, day]}
