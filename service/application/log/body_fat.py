"""Body fat of each measurement, from its sites where no value was given, and of each day."""

import uuid
from collections import defaultdict
from collections.abc import Callable
from datetime import date
from typing import Any, NamedTuple

import numpy as np

from service.application.log.changes import BodyFat, EntryId
from service.application.log.days import DayKey, Days, DayValues, around, of_days
from service.application.log.facts import AthleteFacts, facts_of
from service.application.log.rolled_up import New, RolledUp
from service.domain.physiology import composition
from service.store.scope import Scope
from service.store.tables import Json, Measurement
from service.store.types import MeasurementMethod

_SEVEN = ("chest", "midaxillary", "triceps", "subscapular", "abdomen", "suprailiac", "thigh")
_FOUR = ("biceps", "triceps", "subscapular", "suprailiac")
_FOLDS: dict[tuple[str, bool], tuple[str, ...]] = {  # by method, and whether it is a man
    ("skinfold_3", True): ("chest", "abdomen", "thigh"),
    ("skinfold_3", False): ("triceps", "suprailiac", "thigh"),
    **{("skinfold_7", male): _SEVEN for male in (True, False)},
    **{("skinfold_4", male): _FOUR for male in (True, False)},
}
_DENSITY: dict[str, Callable[..., Any]] = {
    "skinfold_3": composition.skinfold_3_density_g_ml,
    "skinfold_7": composition.skinfold_7_density_g_ml,
    "skinfold_4": composition.durnin_womersley_density_g_ml,
}


class Measured(NamedTuple):
    """What is looked at of a measurement."""

    id: EntryId
    athlete_id: uuid.UUID
    date: date
    method: MeasurementMethod
    sites: Json | None
    given_body_fat_pct: float | None
    given_body_fat_se_pct: float | None
    body_fat_pct: float | None
    body_fat_se_pct: float | None


_MEASURED = of_days(Measurement, Measured._fields)


class Stored(NamedTuple):
    """What is stored: the measurements of the days, and the facts by which they are computed."""

    measured: list[Measured]
    facts: dict[uuid.UUID, AthleteFacts]


async def read(scope: Scope, days: Days, _: New) -> Stored:
    """What is stored of these days."""
    facts = await facts_of(scope, {athlete for athlete, _ in days})
    return Stored([Measured._make(row) for row in await around(scope, _MEASURED, days)], facts)


def settle(stored: Stored, days: Days, new: New) -> RolledUp:
    """Body fat of each measurement, fused over the day by the standard errors."""
    changes: dict[EntryId, list[BodyFat]] = {}
    readings: dict[DayKey, list[tuple[float, float]]] = {key: [] for key in days}
    for row in [*stored.measured, *new.rows]:
        fat = body_fat_of(row, stored.facts[row.athlete_id])
        if fat != BodyFat(row.body_fat_pct, row.body_fat_se_pct):
            changes[row.id] = [fat]
        if fat.body_fat_pct is not None and fat.body_fat_se_pct is not None and (row.athlete_id, row.date) in readings:
            readings[row.athlete_id, row.date].append((fat.body_fat_pct, fat.body_fat_se_pct))
    values: dict[DayKey, DayValues] = {}
    for key, pairs in readings.items():
        values[key] = {"body_fat_pct": None, "body_fat_se_pct": None}
        if pairs:
            fused = composition.fuse(*np.array(sorted(pairs)).T)
            values[key] = {"body_fat_pct": float(fused[0]), "body_fat_se_pct": float(fused[1])}
    return RolledUp(changes, values)


def body_fat_of(measurement: Measured, athlete: AthleteFacts) -> BodyFat:
    """What a measurement comes to, with the standard error that was stated or the method's own.

    Nothing where it is beyond what a body can be, or sites are missing.
    """
    value = measurement.given_body_fat_pct
    if value is None:
        value = _from_sites(measurement, athlete)
    if value is None or not np.isfinite(value) or not 1.0 <= value <= 75.0:
        return BodyFat(None, None)
    stated_se_pct = measurement.given_body_fat_se_pct
    usual_se_pct = composition.STANDARD_ERROR_PCT[measurement.method]
    return BodyFat(round(float(value), 2), usual_se_pct if stated_se_pct is None else stated_se_pct)


def _from_sites(measurement: Measured, athlete: AthleteFacts) -> float | None:
    male = athlete.sex == "male"
    age_y = (measurement.date - athlete.birth_date).days / 365.25
    sites = measurement.sites or {}
    if measurement.method == "tape":
        girths = defaultdict(lambda: np.nan, sites.get("tape", {}))
        if male:
            return float(composition.tape_men_pct(girths["abdomen_cm"], girths["neck_cm"], athlete.height_cm))
        return float(
            composition.tape_women_pct(girths["waist_cm"], girths["hip_cm"], girths["neck_cm"], athlete.height_cm)
        )
    folds = sites.get("skinfolds", {})
    needed = _FOLDS.get((measurement.method, male), ())
    if not needed or any(f"{name}_mm" not in folds for name in needed):
        return None
    total_mm = sum(folds[f"{name}_mm"] for name in needed)
    return float(composition.siri_pct(_DENSITY[measurement.method](total_mm, age_y, male)))
