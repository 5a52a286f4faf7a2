"""Which lifts stand for an athlete's strength on which days, from what is dated up to each day and nothing later."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np

from service.catalogue.exercises import default_main_lifts
from service.domain.records import Bools, Ints

STAND_INS = 5  # lifts that stand for an athlete's strength until a main one is trained


@dataclass(frozen=True)
class Lineup:
    """The lifts that stood for an athlete's strength on some day, in a fixed order; days count from 0.

    `main` (lifts, days) says on which days. Those named a main lift only after their first session have the day of it
    in `joined`, the others 0: up to then they tell nothing about the rest, from then on their whole history does.
    """

    names: list[str]
    joined: Ints
    main: Bools


def lineup_of(lifts: Mapping[str, Sequence[Any]], plans: Sequence[Any], first: date, to: date) -> Lineup:
    """Which lifts stand for strength on each day of a log.

    On a day these are the trained ones among the main lifts of the plan in force, else of the catalogue. Before the
    first of these is trained, the first few lifts of all stand in; where a new plan leaves none, all that ever stood.

    Parameters
    ----------
    lifts : dict
        Rows of `session_lift` by exercise, oldest first.
    plans : sequence of rows of `training_plan`
        Oldest first.
    first, to : date
        The log's first and last day.
    """
    days, usual = (to - first).days + 1, default_main_lifts()
    names = sorted(lifts, key=lambda name: (usual.index(name) if name in usual else len(usual), name))
    began = np.array([(lifts[name][0].date - first).days for name in names], dtype=np.int64)
    main = np.zeros((len(names), days), dtype=np.bool_)
    for begin, chosen in [(0, usual), *(((plan.from_date - first).days, _main_lifts(plan)) for plan in plans)]:
        main[:, max(begin, 0) :] = np.array([name in chosen for name in names], dtype=np.bool_)[:, None]
    main &= np.arange(days) >= began[:, None]
    since = np.where(main.any(axis=1), np.argmax(main, axis=1), days)
    stand_ins = np.flatnonzero(began < since.min(initial=days))
    stand_ins = stand_ins[np.argsort(began[stand_ins], kind="stable")][:STAND_INS]
    since[stand_ins] = began[stand_ins]
    stood = np.flatnonzero(since < days)
    main, since, began = main[stood], since[stood], began[stood]
    main |= (np.arange(days) >= since[:, None]) & ~main.any(axis=0)
    return Lineup([names[row] for row in stood], np.where(since > began, since, 0), main)


def _main_lifts(plan: Any) -> Collection[str]:
    """The main lifts of a training plan, the catalogue's when it names none."""
    return {item["exercise"] for day in plan.days for item in day["exercises"] if item["main"]} or default_main_lifts()
