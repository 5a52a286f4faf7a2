"""The demo practice: invented athletes in varied situations, as import lines and screening answers."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any

import numpy as np
from numpy.random import SeedSequence

from service.demo import lifters as lifting
from service.demo.lifters import EXPERIENCE_NAMES, Lifters, Training
from service.demo.lines import METHOD_NAMES, Enrolment, Line, world_lines
from service.demo.people import People, draw_people
from service.demo.plans import NEXT_PHASE, Plan, add_phase, draw_energy_ratio, empty_plan
from service.demo.records import World
from service.demo.scenarios import REFERRED, SCENARIOS, UNANSWERED, Scenario
from service.demo.world import Simulation

PHASE_BEFORE = {following: kind for kind, following in NEXT_PHASE.items()}
SHORTEST_FIRST_PHASE = 14
NEVER = 10**6


@dataclass(frozen=True)
class Practice:
    """The demo practice with its truth: what happened, what was lifted, and what is sent."""

    scenarios: tuple[Scenario, ...]
    world: World
    training: Training
    enrolments: tuple[Enrolment, ...]


def external_id(athlete: int) -> str:
    """The coach's own number for the athlete, counted from n-001."""
    return f"n-{athlete + 1:03d}"


def _people(rng: np.random.Generator, scenarios: tuple[Scenario, ...], days: int) -> People:
    people = draw_people(rng, len(scenarios), days)
    for i, scenario in enumerate(scenarios):
        for name in ("male", "age_y", "height_cm", "mass_kg"):
            getattr(people, name)[i] = getattr(scenario, name)
        people.age_y[i] += rng.uniform(0.0, 0.99)
        people.reporting_factor[i] = np.clip(people.reporting_factor[i], 0.78, 1.0)
        people.fat_kg[i] = scenario.mass_kg * scenario.body_fat_pct / 100
        people.cycles[i] &= not scenario.male
        people.menstrual_kg[i] *= not scenario.male
        people.activity_factor[i] = np.round(people.activity_level[i], 1)
        people.new_scale_day[i] = NEVER
        people.body_fat_method[i] = max(people.body_fat_method[i], 0)
        for name, value in scenario.traits.items():
            getattr(people, name)[i] = value
        if "new_scale_offset_kg" in scenario.traits:
            people.new_scale_day[i] = days  # two weeks before the log ends: days are counted with the burn-in
    return people


def _phases_back(scenario: Scenario, days: int) -> list[tuple[int, int, int, bool]]:
    """Phases as (kind, first day, planned length, last one?), going back from the end of the log to its first day."""
    first = days - scenario.day
    phases = [(scenario.kind, max(first, 0), scenario.planned_days - max(-first, 0), True)]
    kind = scenario.kind
    while first > 0 and scenario.joined_days_ago is None:
        kind = PHASE_BEFORE[kind]
        length = 35 if first >= 35 + SHORTEST_FIRST_PHASE else first
        first -= length
        phases.append((kind, first, length, False))
    return phases[::-1]


def _plan(rng: np.random.Generator, scenarios: tuple[Scenario, ...], days: int) -> Plan:
    plan = empty_plan(len(scenarios), days)
    for i, scenario in enumerate(scenarios):
        for kind, first, length, last in _phases_back(scenario, days):
            ratio = scenario.energy_ratio if last else float(np.clip(draw_energy_ratio(rng, kind), -0.25, 0.10))
            error = scenario.maintenance_error if last else float(rng.normal(0, 0.05))
            add_phase(plan, i, first, length, kind, ratio, error)
    return plan


def _lifters(rng: np.random.Generator, scenarios: tuple[Scenario, ...], world: World) -> Lifters:
    lifters = lifting.draw_lifters(rng, world, np.array([scenario.experience for scenario in scenarios]))
    for i, scenario in enumerate(scenarios):
        for name, value in scenario.lifting.items():
            getattr(lifters, name)[i] = value
    return lifters


def _enrolment(scenario: Scenario, athlete: int, people: People, last_day: date, days: int) -> Enrolment:
    further: dict[str, Any] = {
        "name": scenario.name if athlete < len(SCENARIOS) else f"{scenario.name} {athlete // len(SCENARIOS) + 1}",
        "experience": EXPERIENCE_NAMES[scenario.experience],
        "review_weekday": scenario.review_weekday,
    }
    if scenario.goal_pct is not None:
        by = last_day + timedelta(days=scenario.goal_days)
        further["goal"] = {"body_fat_pct": scenario.goal_pct, "by": by.isoformat()}
    return Enrolment(
        external_id=external_id(athlete),
        time_zone=scenario.time_zone,
        first_day=0 if scenario.joined_days_ago is None else max(days - scenario.joined_days_ago, 0),
        method=METHOD_NAMES[people.body_fat_method[athlete]],
        meals_per_day=scenario.meals_per_day,
        further=tuple(further.items()),
    )


def demo_practice(athletes: int, days: int, last_day: date, seed: int) -> Practice:
    """Simulate the demo practice: `days` days of log ending on `last_day`; the same seed gives the same practice.

    Beyond twelve athletes the situations repeat with other bodies' habits and luck.
    """
    scenarios = tuple(SCENARIOS[i % len(SCENARIOS)] for i in range(athletes))
    person_seed, plan_seed, life_seed, lift_seed = SeedSequence(seed).spawn(4)
    people = _people(np.random.default_rng(person_seed), scenarios, days)
    plan = _plan(np.random.default_rng(plan_seed), scenarios, days)
    first_day = last_day - timedelta(days=days - 1)
    simulation = Simulation(people, days, int(life_seed.generate_state(1)[0]), plan, first_day=first_day)
    simulation.advance(days)
    world = simulation.world()
    lifters = _lifters(np.random.default_rng(lift_seed), scenarios, world)
    training = lifting.train(world, int(lift_seed.generate_state(1)[0]), lifters)
    enrolments = tuple(_enrolment(s, i, people, last_day, days) for i, s in enumerate(scenarios))
    return Practice(scenarios, world, training, enrolments)


def demo_roster(athletes: int, days: int, last_day: date, seed: int) -> Iterator[Line]:
    """Import lines of the demo practice: athlete lines first, then each athlete's entries by day."""
    practice = demo_practice(athletes, days, last_day, seed)
    meal_rng = np.random.default_rng(SeedSequence(seed).spawn(5)[4])
    return world_lines(practice.world, practice.training, practice.enrolments, meal_rng)


def screening_lines(athletes: int) -> Iterator[Line]:
    """The screening answers of the demo practice as import lines."""
    for name, answers in demo_screening(athletes).items():
        yield {"type": "screening", "athlete": name, **answers}


def demo_screening(athletes: int) -> dict[str, Mapping[str, Any]]:
    """Screening answers by external id; whoever has not answered is left out, one is on the referral list."""
    clear = {
        "pregnant_or_breastfeeding": False,
        "eating_disorder_history": False,
        "kidney_disease": False,
        "heart_or_metabolic_disease": False,
        "glucose_lowering_medication": "none",
        "injury": "none",
        "regularly_active": True,
        "signs_or_symptoms": False,
        "clearances": [],
    }
    cycling = {True: "natural", False: "hormonal_contraception"}
    answers: dict[str, Mapping[str, Any]] = {}
    for i in range(athletes):
        who = SCENARIOS[i % len(SCENARIOS)]
        if who.name not in UNANSWERED:
            cycle = {} if who.male else {"cycle": cycling[bool(who.traits["cycles"])]}
            answers[external_id(i)] = {**clear, **cycle, **REFERRED.get(who.name, {})}
    return answers
