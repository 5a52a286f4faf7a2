"""Which lifts stand for an athlete's strength on which days, from what is dated up to each day and nothing later."""

from collections import deque
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from service.application.evidence.rows import LiftHistory
from service.catalogue.exercises import exercises
from service.domain.records import Bools, Ints
from service.store.tables import TrainingPlan

PATTERNS = ("squat", "hinge", "horizontal_push", "vertical_push", "horizontal_pull", "vertical_pull")
REGULAR_DAYS = 56  # of the pattern's lifts the one trained on most of these days stands for it (common practice)
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
    sessions: Mapping[str, LiftHistory],
    own: Collection[str],
    plans: Sequence[TrainingPlan],
    first: date,
    to: date,
) -> MainLifts:
    """Which lifts stand for strength on each day of a log.

    On a day these are the trained ones among those named on the athlete, else in the plan in force; where none are
    named, of each movement pattern the one trained on most days of the last eight weeks. Before the first of these is
    trained, the first few lifts of all stand in; where a new plan leaves none, all that ever stood.

    Parameters
    ----------
    sessions : dict
        By exercise.
    own : collection of str
        Named on the athlete.
    plans : sequence
        Oldest first.
    first, to : date
        The log's first and last day.
    """
    catalogue = exercises()
    names = [name for name in catalogue if name in sessions]
    days = np.arange((to - first).days + 1)
    never = days.size
    began = np.datetime64(first)
    trained = {name: np.unique((sessions[name].days - began).astype(np.int64)).tolist() for name in names}
    first_trained = np.array([trained[name][0] for name in names], dtype=np.int64)
    main = np.zeros((len(names), days.size), dtype=np.bool_)
    changes = [(0, set(own)), *((max((plan.from_date - first).days, 0), own or _planned(plan)) for plan in plans)]
    regular = None if own else _regular(names, trained, days.size)
    for begin, named in changes:
        if named:
            main[:, begin:] = np.array([name in named for name in names], dtype=np.bool_)[:, None]
        elif regular is not None:
            main[:, begin:] = regular[:, begin:]
    main &= days >= first_trained[:, None]
    since = np.where(main.any(axis=1), np.argmax(main, axis=1), never)
    stand_ins = np.flatnonzero(first_trained < since.min(initial=never))
    stand_ins = stand_ins[np.argsort(first_trained[stand_ins], kind="stable")][:STAND_INS]
    since[stand_ins] = first_trained[stand_ins]
    stood = np.flatnonzero(since < never)
    main, since, first_trained = main[stood], since[stood], first_trained[stood]
    main |= (days >= since[:, None]) & ~main.any(axis=0)
    return MainLifts([names[row] for row in stood], np.where(since > first_trained, since, 0), main)


def _planned(plan: TrainingPlan) -> set[str]:
    """The main lifts that a training plan names."""
    return {item["exercise"] for day in plan.days for item in day["exercises"] if item["main"]}


def _regular(names: Sequence[str], trained: Mapping[str, Sequence[int]], day_count: int) -> Bools:
    """Which lifts (lifts, days) stand for their patterns, by the days on which each was trained."""
    catalogue = exercises()
    regular = np.zeros((len(names), day_count), dtype=np.bool_)
    for pattern in PATTERNS:
        rivals = [name for name in names if catalogue[name].pattern == pattern and catalogue[name].measures_strength]
        if len(rivals) == 1:
            regular[names.index(rivals[0])] = _trained_lately(trained[rivals[0]], day_count)
            continue
        for begin, end, name in _reigns({rival: trained[rival] for rival in rivals}):
            regular[names.index(name), max(begin, 0) : max(end, 0)] = True
    return regular


def _trained_lately(trained: Sequence[int], day_count: int) -> Bools:
    """The days (days,) on which the one lift of a pattern stands for it: as long as it is trained."""
    on, days = np.array(trained, np.int64), np.arange(day_count)
    latest = np.searchsorted(on, days, side="right") - 1
    lately: Bools = (latest >= 0) & (days - on[latest] < REGULAR_DAYS)
    return lately


def _reigns(trained: Mapping[str, Sequence[int]]) -> Iterable[tuple[int, int, str]]:
    """From which day to before which each of the rivals of a pattern stands for it.

    The one that stands gives way only to one that was trained on more days, or when it was not trained for so long.
    """
    sessions = sorted((day, name) for name, on in trained.items() for day in on)
    lately: dict[str, deque[int]] = {name: deque() for name in trained}
    standing = ""
    for at, (day, name) in enumerate(sessions):
        lately[name].append(day)
        if at + 1 < len(sessions) and sessions[at + 1][0] == day:
            continue  # all of a day's sessions count before one is chosen
        for on in lately.values():
            while on and on[0] <= day - REGULAR_DAYS:
                on.popleft()
        most = max(len(on) for on in lately.values())
        if not standing or len(lately[standing]) < most:
            standing = next(rival for rival, on in lately.items() if len(on) == most)
        until = sessions[at + 1][0] if at + 1 < len(sessions) else day + REGULAR_DAYS
        yield day, min(until, lately[standing][-1] + REGULAR_DAYS), standing
