"""What the filter of `estimation` is told, remembers and leaves behind, day by day."""

from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from service.domain import kalman
from service.domain.estimation.model import STATES
from service.domain.records import Bools, DailyLog, Floats, Ints

WEEK = 7
FORTNIGHT = 14
DAYS_TURNED = 32


# What is remembered of each of the last days
INTAKE, UNLOGGED, INTAKE_VARIANCE, WATER_DRIVER, WATER_VARIANCE = KINDS = range(5)


@dataclass
class FilterState:
    """Everything the filter remembers of each athlete at the end of a day; the batch is the last axis of each array.

    Saved and restored it continues to the same numbers as a full run. The filter changes the arrays in place.
    """

    started: Bools
    mean: Floats  # (states, athletes) for the next morning
    cov: Floats  # (states, states, athletes), upper triangle
    reference_kcal: Floats
    transfer_kg_per_kcal: Floats
    gain_ratio: Floats
    log_maintenance: Floats  # prior, logged scale
    maintenance_prior_sd: Floats
    expenditure_sd: Floats  # prior, of the logarithm
    structure_kcal: Floats  # change of maintenance since the start that mass and intake explain
    days: Floats  # since the start, that day included
    water: Floats  # relative intake, as the water follows it
    water_variance: Floats
    adaptation: Floats
    carbohydrate_share: Floats  # usual, of logged energy; NaN before the first
    share: Floats  # usual logged share of the target
    share_variance: Floats
    complete_days: Floats
    silent_days: Floats
    last_target: Floats
    recent: (
        Floats  # (14, 5, athletes), oldest first: intake, part unlogged (kcal), variance, water driver, its variance
    )
    surprise: Floats  # fading sum of standardised innovations, and its variance if the model is right
    surprise_variance: Floats
    noise_scale_sum: Floats
    noise_scale_days: Floats
    fat_mean: Floats  # (2, athletes): kg, points
    fat_cov: Floats  # upper triangle
    told_fat_pct: Floats  # the last measurement before the first weigh-in, NaN = none
    told_fat_se_pct: Floats
    cycle_day: Floats  # since the last menstruation started; NaN = never logged
    cycle_days: Floats
    weighed_days: Floats
    whole_days: Floats  # with a whole food log, as a sum of probabilities
    rejected_kg: Floats  # the last weigh-in if it was left out, else NaN
    rejected_days: Floats  # how many in a row agreed with each other
    scale_active: Bools  # is a new scale suspected?
    scale_returning: Bools  # the other branch is the one with the old scale
    scale_mean: Floats  # the moments if there is one
    scale_cov: Floats
    scale_score: Floats  # log odds by the weigh-ins since
    scale_weighings: Floats


class Recent:
    """The last 14 days of what is remembered by day, in a buffer with room: on most days nothing has to move.

    A window that was handed out stays as it is, for `FilterState.recent` and for outputs worked out later.
    """

    ROOM = 42

    def __init__(self, window: Floats) -> None:
        self._renew(window)

    def _renew(self, window: Floats) -> None:
        self._buffer = np.empty((FORTNIGHT + self.ROOM, *window.shape[1:]))
        self._buffer[:FORTNIGHT] = window
        self._end = FORTNIGHT

    def append(self, *values: Floats) -> None:
        """Add a day: values of `KINDS`, each (athletes,)."""
        if self._end == self._buffer.shape[0]:
            self._renew(self.window)
        for kind, value in enumerate(values):
            self._buffer[self._end, kind] = value
        self._end += 1

    @property
    def window(self) -> Floats:
        """(14, 5, athletes), oldest first."""
        return self._buffer[self._end - FORTNIGHT : self._end]


def mean_of_week(days: Floats) -> Floats:
    """Mean over the first axis, of seven days."""
    return kalman.fold(days.copy()) * (1.0 / WEEK)


@dataclass(frozen=True)
class Day:
    """What is told of one calendar day; arrays (athletes,)."""

    date: np.datetime64
    mass_kg: Floats
    intake_kcal: Floats
    carbohydrate_g: Floats
    food_state: Ints
    target_kcal: Floats
    phase: Ints
    phase_day: Ints
    menstruation_started: Bools
    body_fat_pct: Floats
    body_fat_se_pct: Floats


@dataclass(frozen=True)
class Drift:
    """The linearised overnight change; arrays (athletes,)."""

    base: Floats  # prior transfer in force, kg per kcal, partition of loss or gain included
    transfer: Floats  # base × the relative transfer
    per_transfer: Floats  # derivative of the tissue change with respect to the relative transfer, kg
    per_excess: Floats  # and with respect to the excess of unlogged food, kg
    adapted: Floats  # kcal by which maintenance follows intake, per unit of response


@dataclass(frozen=True)
class Branch:
    """Moments of some or all athletes on one day, with how they came and went."""

    mean: Floats  # that morning, given all of the day's data
    cov: Floats
    updates: tuple[kalman.Update, ...]
    drift: Drift


@dataclass(frozen=True)
class Seen:
    """What the outputs need of a day, at its end; the athletes (or days × athletes) are the last axis of each array."""

    mean: Floats  # moments of that morning, given all of the day's data
    cov: Floats  # upper triangle
    base: Floats  # `Drift.base`
    recent: Floats  # (14, 5, athletes), today last
    week: Floats  # (2, athletes), means of the last seven days' intake and unlogged part
    cycle_day: Floats  # of the menstrual cycle, by the calendar where it was never logged
    cycle_days: Floats
    fat_mean: Floats
    fat_cov: Floats
    log_maintenance: Floats
    maintenance_prior_sd: Floats
    expenditure_sd: Floats
    structure_kcal: Floats
    cut: Bools
    outlier: Bools
    scale_adopted: Bools
    new_scale: Bools  # adopted today, or agreed upon by weigh-ins that were left out at first
    started: Bools
    days: Floats
    weighed_days: Floats
    whole_days: Floats


@dataclass(frozen=True)
class Step:
    """What a day did, for the smoother; arrays with the athletes last, covariances whole."""

    seen: Seen
    main: Branch
    scale: Branch | None  # the branch with a new scale, of the athletes `scale_rows`
    scale_rows: Ints
    scale_begun: Bools
    fat_update: kalman.Update
    fat_ratio: Floats  # by which the morning's weigh-in rescaled fat mass, mostly 1


def days_of(log: DailyLog, rows: slice | Ints) -> Iterator[Day]:
    """The days of a log, one by one, for some athletes; turned to day-major order a few weeks at a time."""
    names = [f.name for f in fields(Day) if f.name != "date"]
    for first in range(0, log.days.shape[0], DAYS_TURNED):
        few = slice(first, first + DAYS_TURNED)
        columns = {name: np.ascontiguousarray(getattr(log, name)[rows, few].T) for name in names}
        for t, date in enumerate(log.days[few]):
            yield Day(date=date, **{name: values[t] for name, values in columns.items()})


def empty_day(date: np.datetime64, count: int) -> Day:
    """A day of which nothing is told, outside phases."""
    unknown = np.full(count, np.nan)
    zeros = np.zeros(count, dtype=np.int64)
    return Day(
        date=date,
        mass_kg=unknown,
        intake_kcal=unknown,
        carbohydrate_g=unknown,
        food_state=zeros,
        target_kcal=unknown,
        phase=zeros,
        phase_day=zeros,
        menstruation_started=np.zeros(count, dtype=np.bool_),
        body_fat_pct=unknown,
        body_fat_se_pct=unknown,
    )


def blank(count: int) -> FilterState:
    """The state of `count` athletes of whom nothing is known yet."""
    shapes: dict[str, tuple[int, ...]] = {
        "mean": (STATES, count),
        "cov": (STATES, STATES, count),
        "scale_mean": (STATES, count),
        "scale_cov": (STATES, STATES, count),
        "recent": (FORTNIGHT, len(KINDS), count),
        "fat_mean": (2, count),
        "fat_cov": (2, 2, count),
    }
    ones = ("reference_kcal", "transfer_kg_per_kcal", "gain_ratio", "share", "cycle_days", "expenditure_sd")
    values: dict[str, Any] = {f.name: np.zeros(shapes.get(f.name, (count,))) for f in fields(FilterState)}
    values |= {name: np.ones(count) for name in ones}
    values |= {name: np.full(count, np.nan) for name in ("told_fat_pct", "told_fat_se_pct")}
    values |= {name: np.zeros(count, dtype=np.bool_) for name in ("started", "scale_active", "scale_returning")}
    return FilterState(**values)


def take(state: FilterState, rows: slice | Ints) -> FilterState:
    """A copy of the states of some athletes."""
    return FilterState(**{f.name: np.array(getattr(state, f.name)[..., rows], order="C") for f in fields(FilterState)})


def put(state: FilterState, rows: slice | Ints, fresh: FilterState) -> None:
    """Replace the states of some athletes, in place."""
    for f in fields(FilterState):
        getattr(state, f.name)[..., rows] = getattr(fresh, f.name)
