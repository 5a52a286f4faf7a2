"""The coach's plan: phases of 4–6 weeks and energy targets from an imperfect idea of maintenance."""

from dataclasses import dataclass

import numpy as np
from numpy.random import Generator

from service.demo.records import BUILD, CUT, MAINTAIN, NO_PHASE, Floats, Ints


@dataclass
class Plan:
    """Phases and intended energy, day by day; every array has shape (athletes, days)."""

    phase: Ints
    phase_day: Ints  # 1 on the first day of each phase
    phase_days: Ints  # planned length of the phase
    energy_ratio: Floats  # intended intake over maintenance, minus one: −0.25 is a deficit of 25 %
    maintenance_error: Floats  # the coach's error: estimate of maintenance over the true one, minus one
    step_kcal: Floats  # change of the target on this day (0 on most), in force until the phase ends


NEXT_PHASE = {BUILD: CUT, CUT: MAINTAIN, MAINTAIN: BUILD}


def empty_plan(athletes: int, days: int) -> Plan:
    """A plan without any phase."""
    shape = (athletes, days)
    zeros = np.zeros(shape, dtype=np.int64)
    return Plan(np.full(shape, NO_PHASE), zeros.copy(), zeros.copy(), np.zeros(shape), np.zeros(shape), np.zeros(shape))


def add_phase(
    plan: Plan, athlete: int, first: int, length: int, kind: int, energy_ratio: float, maintenance_error: float
) -> int:
    """Write one phase of `length` days into the plan and return the day after it."""
    last = min(first + length, plan.phase.shape[1])
    days = slice(first, last)
    plan.phase[athlete, days] = kind
    plan.phase_day[athlete, days] = np.arange(1, last - first + 1)
    plan.phase_days[athlete, days] = length
    plan.energy_ratio[athlete, days] = energy_ratio
    plan.maintenance_error[athlete, days] = maintenance_error
    return int(last)


def draw_energy_ratio(rng: Generator, kind: int) -> float:
    """Deficits of 15–40 % (mostly 15–30), surpluses of 0–15 %."""
    if kind == CUT:
        return -float(0.15 + 0.25 * rng.beta(1.5, 2.3))
    if kind == BUILD:
        return float(rng.uniform(0.0, 0.15))
    return 0.0


def draw_plan(rng: Generator, athletes: int, days: int) -> Plan:
    """Cycles of build, cut and maintain, each 28–42 days, starting anywhere in the cycle.

    The coach knows maintenance to about ±9 % at first and ±6 % later, and moves the target by 100–250 kcal in a third
    of the phases.
    """
    plan = empty_plan(athletes, days)
    for athlete in range(athletes):
        kind = int(rng.choice([BUILD, CUT, MAINTAIN]))
        day, number = 0, 0
        while day < days:
            length = int(rng.integers(28, 43))
            error = float(rng.normal(0.0, 0.09 if number == 0 else 0.06))
            following = add_phase(plan, athlete, day, length, kind, draw_energy_ratio(rng, kind), error)
            step_day = day + int(rng.integers(14, 22))
            if rng.random() < 1 / 3 and step_day < following:
                plan.step_kcal[athlete, step_day] = rng.choice([-1.0, 1.0]) * float(rng.integers(2, 6) * 50)
            day, number, kind = following, number + 1, NEXT_PHASE[kind]
    return plan
