"""What the filter of `estimation` is told, remembers and leaves behind, day by day."""

from collections.abc import Iterator
from copy import copy
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from . import kalman
from .estimation_model import STATES
from .records import Bools, DailyLog, Floats, Ints

WEEK = 7
FORTNIGHT = 14


@dataclass(frozen=True)
class FilterState:
    """Everything the filter remembers of each athlete at the end of a day; the batch is the last axis of each array.

    Saved and restored it continues to the same numbers as a full run.
    """

    started: Bools
    mean: Floats  # (states, athletes) for the next morning
    cov: Floats  # (states, states, athletes)
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
    intake_days: Floats  # (14, athletes) kcal, oldest first
    intake_variance_days: Floats
    unlogged_days: Floats
    intake_week: Floats  # means of the last seven of these
    unlogged_week: Floats
    water_days: Floats  # (14, athletes)
    surprise: Floats  # fading sum of standardised innovations, and its variance if the model is right
    surprise_variance: Floats
    noise_scale_sum: Floats
    noise_scale_days: Floats
    fat_mean: Floats  # (2, athletes): kg, points
    fat_cov: Floats
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
    unlogged: Floats  # kcal that an excess of unlogged food applies to
    adapted: Floats  # kcal by which maintenance follows intake, per unit of response


@dataclass(frozen=True)
class Branch:
    """Moments of some or all athletes on one day, with how they came and went."""

    mean: Floats  # that morning, given all of the day's data
    cov: Floats
    updates: tuple[kalman.Update, ...]
    drift: Drift


@dataclass(frozen=True)
class Step:
    """What a day did, for outputs and smoother; arrays with the athletes last."""

    main: Branch
    scale: Branch | None  # the branch with a new scale, of the athletes `scale_rows`
    scale_rows: Ints
    scale_begun: Bools
    scale_adopted: Bools
    new_scale: Bools  # adopted today, or agreed upon by weigh-ins that were left out at first
    intake_days: Floats  # (14, athletes), today last
    intake_variance_days: Floats
    unlogged_days: Floats
    intake_week: Floats
    unlogged_week: Floats
    water_now: Floats  # mean water driver of the last seven mornings
    water_before: Floats  # and of the seven before
    cycle_now: Floats  # (2, athletes), mean of the last seven mornings
    cycle_before: Floats
    fat_mean: Floats
    fat_cov: Floats
    fat_update: kalman.Update
    fat_ratio: Floats  # by which the morning's weigh-in rescaled fat mass, mostly 1
    structure_kcal: Floats
    cut: Bools
    outlier: Bools
    started: Bools
    days: Floats
    weighed_days: Floats
    whole_days: Floats


def days_of(log: DailyLog, rows: slice) -> Iterator[Day]:
    """The days of a log, one by one, for some athletes."""
    names = [f.name for f in fields(Day) if f.name != "date"]
    columns = {name: np.ascontiguousarray(getattr(log, name)[rows].T) for name in names}
    for t, date in enumerate(log.days):
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


def changed(state: FilterState, **values: Any) -> FilterState:
    """A state with some arrays replaced; the quick form of `dataclasses.replace`, which would take a tenth of a day."""
    new = copy(state)
    new.__dict__.update(values)
    return new


def blank(count: int) -> FilterState:
    """The state of `count` athletes of whom nothing is known yet."""
    shapes: dict[str, tuple[int, ...]] = {
        "mean": (STATES, count),
        "cov": (STATES, STATES, count),
        "scale_mean": (STATES, count),
        "scale_cov": (STATES, STATES, count),
        "intake_days": (FORTNIGHT, count),
        "intake_variance_days": (FORTNIGHT, count),
        "unlogged_days": (FORTNIGHT, count),
        "water_days": (FORTNIGHT, count),
        "fat_mean": (2, count),
        "fat_cov": (2, 2, count),
    }
    ones = ("reference_kcal", "transfer_kg_per_kcal", "gain_ratio", "share", "cycle_days", "expenditure_sd")
    values: dict[str, Any] = {f.name: np.zeros(shapes.get(f.name, (count,))) for f in fields(FilterState)}
    values |= {name: np.ones(count) for name in ones}
    values |= {name: np.full(count, np.nan) for name in ("told_fat_pct", "told_fat_se_pct")}
    values |= {name: np.zeros(count, dtype=np.bool_) for name in ("started", "scale_active", "scale_returning")}
    return FilterState(**values)


def join(states: list[FilterState]) -> FilterState:
    """The states of several batches as those of one."""
    return FilterState(
        **{f.name: np.concatenate([getattr(s, f.name) for s in states], axis=-1) for f in fields(FilterState)}
    )


def take(state: FilterState, rows: slice | Ints) -> FilterState:
    """A copy of the states of some athletes."""
    return FilterState(**{f.name: np.array(getattr(state, f.name)[..., rows], order="C") for f in fields(FilterState)})


def put(state: FilterState, rows: Ints, fresh: FilterState) -> FilterState:
    """The states with those of some athletes replaced."""
    merged: dict[str, Any] = {}
    for f in fields(FilterState):
        merged[f.name] = np.array(getattr(state, f.name))
        merged[f.name][..., rows] = getattr(fresh, f.name)
    return FilterState(**merged)
