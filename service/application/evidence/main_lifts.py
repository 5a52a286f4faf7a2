"""Which lifts stand for an athlete's strength on which days, from what is dated up to each day and nothing later."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from service.catalogue.exercises import default_main_lifts
from service.domain.records import Bools, Ints
from service.store.tables import SessionLift, TrainingPlan

STAND_INS = 5  # lifts that stand for an athlete's strength until a main one is trained


@dataclass(frozen=True)
class MainLifts:
    """The lifts that stood for an athlete's strength on some day, in a fixed order; days count from 0.

    `main` (lifts, days) says on which days. Those named a main lift only after their first session have the day of it
    in `joined` (lifts,), the others 0: up to then they tell nothing about the rest, from then on their whole history
    does.
    """

    names: list[str]
    joined: Ints
    main: Bools


def main_lifts_of(
    sessions: Mapping[str, Sequence[SessionLift]], plans: Sequence[TrainingPlan], first: date, to: date
) -> MainLifts:
    """Which lifts stand for strength on each day of a log.

    On a day these are the trained ones among the main lifts of the plan in force, else of the catalogue. Before the
    first of these is trained, the first few lifts of all stand in; where a new plan leaves none, all that ever stood.

    Parameters
    ----------
    sessions : dict
        By exercise, oldest first.
    plans : sequence
        Oldest first.
    first, to : date
        The log's first and last day.
    """
    days, usual = np.arange((to - first).days + 1), default_main_lifts()
    never = days.size
    names = sorted(sessions, key=lambda name: (usual.index(name) if name in usual else len(usual), name))
    first_trained = np.array([(sessions[name][0].date - first).days for name in names], dtype=np.int64)
    main = np.zeros((len(names), days.size), dtype=np.bool_)
    for begin, planned in [(0, usual), *(((plan.from_date - first).days, _planned(plan)) for plan in plans)]:
        main[:, max(begin, 0) :] = np.array([name in planned for name in names], dtype=np.bool_)[:, None]
    main &= days >= first_trained[:, None]
    since = np.where(main.any(axis=1), np.argmax(main, axis=1), never)
    stand_ins = np.flatnonzero(first_trained < since.min(initial=never))
    stand_ins = stand_ins[np.argsort(first_trained[stand_ins], kind="stable")][:STAND_INS]
    since[stand_ins] = first_trained[stand_ins]
    stood = np.flatnonzero(since < never)
    main, since, first_trained = main[stood], since[stood], first_trained[stood]
    main |= (days >= since[:, None]) & ~main.any(axis=0)
    return MainLifts([names[row] for row in stood], np.where(since > first_trained, since, 0), main)


def _planned(plan: TrainingPlan) -> Collection[str]:
    """The main lifts of a training plan, the catalogue's when it names none."""
    named = {item["exercise"] for day in plan.days for item in day["exercises"] if item["main"]}
    return named or default_main_lifts()
