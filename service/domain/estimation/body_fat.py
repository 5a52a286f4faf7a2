"""Body fat beside the filter: carried along by partition, corrected by measurements, whose bias stays with the person.

Two states: fat mass in kg and the bias of the athlete's measurements in percentage points. A reading is
100·fat/tissue + bias + noise; three quarters of its standard error are bias, the rest noise.
"""

from dataclasses import dataclass, field, replace

import numpy as np

from service.domain import kalman
from service.domain.estimation import model as m
from service.domain.estimation.day import Day
from service.domain.estimation.initial import initially, no_moments
from service.domain.kalman import Moments
from service.domain.records import Bools, Floats, Ints, take

FAT, BIAS = range(2)
SUPPOSED_SHARE = 0.04  # share of tissue mass: one that a single weigh-in moves by more was only supposed; judged


@dataclass(frozen=True)
class BodyFat:
    """What is known of body fat; the batch is the last axis."""

    moments: Moments = field(metadata=no_moments(2))
    waiting_pct: Floats = field(metadata=initially(np.nan))  # the last measurement before the first weigh-in
    waiting_se_pct: Floats = field(metadata=initially(np.nan))


def measured_before(body_fat: BodyFat, started: Bools, day: Day) -> tuple[BodyFat, Day]:
    """Keep a measurement until the first weigh-in, and hand it to the day of that."""
    if started.all():
        return body_fat, day
    waits = ~started & ~np.isnan(day.body_fat_pct) & ~np.isnan(day.body_fat_se_pct)
    waiting_pct = np.where(waits, day.body_fat_pct, body_fat.waiting_pct)
    waiting_se_pct = np.where(waits, day.body_fat_se_pct, body_fat.waiting_se_pct)
    starts = ~started & ~np.isnan(day.mass_kg)
    day = replace(
        day,
        body_fat_pct=np.where(starts, waiting_pct, day.body_fat_pct),
        body_fat_se_pct=np.where(starts, waiting_se_pct, day.body_fat_se_pct),
    )
    return replace(body_fat, waiting_pct=waiting_pct, waiting_se_pct=waiting_se_pct), day


def condition_on_measurements(
    moments: Moments, tissue_kg: Floats, started: Bools, day: Day
) -> tuple[Ints, kalman.Update] | None:
    """Condition on the day's measurements of body fat, in place; returns whose and the update, of those only."""
    rows = np.flatnonzero(started & ~np.isnan(day.body_fat_pct) & ~np.isnan(day.body_fat_se_pct))
    if not rows.size:
        return None
    se_pct = day.body_fat_se_pct[rows]
    some = take(moments, rows)
    first = some.cov[BIAS, BIAS] == 0.0
    some.cov[BIAS, BIAS] = np.where(first, (m.FAT_BIAS_SHARE * se_pct) ** 2, some.cov[BIAS, BIAS])
    row: dict[int, Floats | float] = {FAT: 100.0 / np.maximum(tissue_kg[rows], m.LEAST_TISSUE_KG), BIAS: 1.0}
    noise = (1.0 - m.FAT_BIAS_SHARE**2) * se_pct**2
    done = kalman.update(some.mean, some.cov, row, day.body_fat_pct[rows], noise)
    moments.mean[:, rows], moments.cov[:, :, rows] = some.mean, some.cov
    return rows, done


def follow_weigh_ins(
    moments: Moments, before_kg: Floats, tissue_kg: Floats, young: Bools, lost_sight: Bools, accepted: Bools
) -> Floats | None:
    """What a weigh-in corrects of a tissue mass that was only supposed it corrects of fat too; in place.

    After months without a weigh-in (`lost_sight`) by partition, in the first days (`young`) by keeping the share.
    Returns by how much fat was rescaled there, None if nobody's was; arrays (athletes,).
    """
    fat, cov = moments.mean, moments.cov
    partitioned = accepted & ~young & lost_sight
    fat[FAT] += np.where(partitioned, m.fat_change_kg(tissue_kg - before_kg, fat[FAT]), 0.0)
    ratio = tissue_kg / np.maximum(before_kg, m.LEAST_TISSUE_KG)
    supposed = (np.abs(ratio - 1.0) > SUPPOSED_SHARE) & accepted & young
    if not supposed.any():
        return None
    ratio = np.where(supposed, ratio, 1.0)
    fat[FAT] *= ratio
    cov[FAT] *= ratio
    cov[FAT, FAT] *= ratio
    return ratio


def propagate(moments: Moments, tissue_change_kg: Floats) -> None:
    """Fat mass next morning, in place: its share of the night's change of tissue mass, and noise."""
    moments.mean[FAT] += m.fat_change_kg(tissue_change_kg, moments.mean[FAT])
    moments.cov[FAT, FAT] += m.FAT_DAILY_SD_KG**2


def rescale_adjoint(adjoint: Floats, information: Floats, ratio: Floats) -> None:
    """Adjoint of the rescaling of fat mass in `follow_weigh_ins`, in place."""
    adjoint[FAT] *= ratio
    information[FAT] *= ratio
    information[:, FAT] *= ratio
