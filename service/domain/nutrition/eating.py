"""Eating over the day: fasts, eating windows and the spread of protein, from instants.

Everything is reckoned in elapsed time between instants, so that midnight, daylight saving and travel change nothing. A
fast is the time between two meals that are known to follow one another. A day without a log is a gap and no fast: what
lies across it is unknown. A declared fast is a day known to be without meals: a fast goes on across it.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from itertools import pairwise

from service.domain.records import FoodState

TOLERANCE_H = 0.25  # a window is kept when it is passed by a quarter of an hour; common practice, no source
SNACK_SHARE = 0.1  # of the day's energy: less is no meal in the spread of protein; common practice, no source
CONTINUED = (FoodState.FAST,)
LOGGED = (FoodState.UNKNOWN, FoodState.COMPLETE)


@dataclass(frozen=True)
class LoggedMeal:
    """A meal: the local date that it belongs to, its instant (aware; None when only the date is known), its content."""

    date: date
    at: datetime | None
    energy_kcal: float
    protein_g: float | None
    slot: int | None = None


@dataclass(frozen=True)
class EatingDay:
    """What is known of one day's eating; None where it is not known."""

    date: date
    fast_h: float | None  # the longest time without food that ended on this day
    window_h: float | None  # from the meal that ended it to the last one before the next fast
    first_at: datetime | None
    last_at: datetime | None
    protein_spread_pct: float | None  # largest distance of a meal's protein from the meals' mean, percent of the mean


def eating_days(
    meals: Sequence[LoggedMeal], states: Mapping[date, FoodState], first: date, last: date
) -> list[EatingDay]:
    """Fast, window and protein spread of each day.

    Parameters: `meals`, of the days from some days before `first` to the day after `last`, in any order; `states`, of
    the food log by date, days that are missing were not logged. A day's fast is the longest gap between meals that ends
    on its date, so that a bite after midnight belongs to the evening before. The first fast reaches back over declared
    fasts; it is unknown when the day before was not logged or only in part, or a meal of either day has no time.
    """
    by_day: dict[date, list[LoggedMeal]] = {}
    for meal in meals:
        by_day.setdefault(meal.date, []).append(meal)
    breaks = {day: _fast(by_day, states, day) for day in _dates(first, last + timedelta(days=1))}
    return [_day(by_day, states, breaks, day) for day in _dates(first, last)]


@dataclass(frozen=True)
class _Fast:
    hours: float | None
    ended_at: datetime | None


def _dates(first: date, last: date) -> list[date]:
    return [first + timedelta(days=offset) for offset in range((last - first).days + 1)]


def _timed(meals: Sequence[LoggedMeal]) -> list[datetime] | None:
    """Instants in order, None when a meal has none."""
    instants = [meal.at for meal in meals if meal.at is not None]
    return sorted(instants) if len(instants) == len(meals) else None


def _fast(by_day: Mapping[date, Sequence[LoggedMeal]], states: Mapping[date, FoodState], day: date) -> _Fast:
    """The longest gap that ends on a day, and the meal that ends it."""
    today = _timed(by_day.get(day, ()))
    if not today or states.get(day) not in LOGGED:
        return _Fast(None, None)
    before = _last_meal_before(by_day, states, day)
    if before is None:
        return _Fast(None, today[0])
    hours, ended = max(
        ((later - earlier).total_seconds() / 3600.0, later) for earlier, later in pairwise([before, *today])
    )
    return _Fast(hours, ended)


def _last_meal_before(
    by_day: Mapping[date, Sequence[LoggedMeal]], states: Mapping[date, FoodState], day: date
) -> datetime | None:
    """The last meal of the last day with food, across declared fasts; None when a day between is not known whole."""
    before = day - timedelta(days=1)
    while states.get(before) in CONTINUED:
        before -= timedelta(days=1)
    if states.get(before) not in LOGGED:
        return None
    instants = _timed(by_day.get(before, ()))
    return instants[-1] if instants else None


def _day(
    by_day: Mapping[date, Sequence[LoggedMeal]],
    states: Mapping[date, FoodState],
    breaks: Mapping[date, _Fast],
    day: date,
) -> EatingDay:
    fast, following = breaks[day], breaks[day + timedelta(days=1)]
    spread = protein_spread_pct(by_day.get(day, ())) if states.get(day) in LOGGED else None
    if fast.ended_at is None:
        return EatingDay(day, None, None, None, None, spread)
    own = _timed(by_day[day]) or []
    night = _timed(by_day.get(day + timedelta(days=1), ())) or []
    end = following.ended_at if following.hours is not None else None
    eaten = [at for at in own if at >= fast.ended_at] + [at for at in night if end is not None and at < end]
    window = (eaten[-1] - fast.ended_at).total_seconds() / 3600.0
    return EatingDay(day, fast.hours, window, fast.ended_at, eaten[-1], spread)


def window_kept(day: EatingDay, allowed_h: float | None) -> bool | None:
    """Whether the day's meals fell into a window of this length; None when either is unknown.

    The length counts and not the clock: with a new time zone the clock shifts, and the fast does not.
    """
    if day.window_h is None or allowed_h is None:
        return None
    return day.window_h <= allowed_h + TOLERANCE_H


def window_length_h(start: str, end: str) -> float:
    """Length of a window between local times "HH:MM"; one that ends before it starts goes over midnight."""
    begin, stop = (int(text[:2]) * 60 + int(text[3:]) for text in (start, end))
    return ((stop - begin) % (24 * 60) or 24 * 60) / 60.0


def protein_spread_pct(meals: Sequence[LoggedMeal]) -> float | None:
    """Largest distance of a meal's protein from the mean of the day's meals, percent of that mean.

    Entries of one slot are one meal; what has under a tenth of the day's energy is a bite and not counted. None with
    fewer than two meals or when some protein is unknown.
    """
    energy: dict[object, float] = {}
    protein: dict[object, float] = {}
    for index, meal in enumerate(meals):
        if meal.protein_g is None:
            return None
        key: object = ("slot", meal.slot) if meal.slot is not None else index
        energy[key] = energy.get(key, 0.0) + meal.energy_kcal
        protein[key] = protein.get(key, 0.0) + meal.protein_g
    whole = sum(energy.values())
    amounts = [protein[key] for key in energy if energy[key] >= SNACK_SHARE * whole]
    mean = sum(amounts) / len(amounts) if amounts else 0.0
    if len(amounts) < 2 or mean <= 0.0:
        return None
    return 100.0 * max(abs(amount - mean) for amount in amounts) / mean
