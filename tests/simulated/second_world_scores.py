"""The issue's table in the second simulated world: two simple methods and the estimator, beside the issue's numbers.

    python -m tests.simulated.second_world_scores

Definitions are those under which the simple methods come out as the issue says: trend is the mean of the last seven
mornings' noise-free mass, scale rate its change over seven days, tissue rate that of the last seven days; weeks 2 on.
A simple method's rate is its 28-day or filtered slope. Detection looks once a week; what counts are spells of 14 days
and more (of a tissue rate under −1 %/week; of a cut that is given up); false alarms are counted per athlete-week, of
all athlete-weeks for given-up cuts.
"""

from dataclasses import dataclass

import numpy as np

from service.domain.records import PhaseKind
from tests.simulated import second_world_baselines as simple
from tests.simulated.methods import ours
from tests.simulated.second_world import simulate

FALSE_ALARMS = 0.02  # per athlete-week
LEAST_DAYS = 14
FIRST_DAYS = 14  # nothing is scored before


@dataclass(frozen=True)
class Found:
    """Share of spells found, mean delay in days, number of spells."""

    share: float
    delay_days: float
    spells: int


def estimator(who, log):
    """The service's estimator in the terms of the simple methods."""
    m = ours(who, log)
    return {
        "trend": m.average_mass_kg.mean, "rate": m.rate_pct_per_week.mean,
        "tissue_rate": m.tissue_rate_pct_per_week.mean, "maintenance": m.maintenance_kcal.mean,
        "expenditure": m.energy_requirement_kcal.mean, "too_fast": m.too_fast, "no_deficit": m.not_in_deficit,
    }  # fmt: skip


def errors(told, world):
    """MAE of maintenance at weeks 2, 3, 4, 8, ≥ 12 and of expenditure; RMSE of trend and rates; last, in week 1."""
    truth, log = world.truth, world.log
    days = log.phase.shape[1]
    week = np.arange(13, days, 7)
    rate = np.full(truth.average_mass_kg.shape, np.nan)
    rate[:, 7:] = (
        100 * (truth.average_mass_kg[:, 7:] - truth.average_mass_kg[:, :-7]) / truth.tissue_mass_kg[:, 7:]
    )  # fmt: skip
    wrong = np.abs(told["maintenance"] - truth.maintenance_logged_kcal)
    scale = (told["rate"] - rate)[:, week]
    first = (log.phase_day[:, week] <= 7) & (week >= 20)
    return np.array([
        *(np.nanmean(wrong[:, 7 * number - 1]) for number in (2, 3, 4, 8)),
        np.nanmean(wrong[:, week[10:]]),
        np.nanmean(np.abs(told["expenditure"] - truth.maintenance_kcal)[:, week]),
        _rms((told["trend"] - truth.average_mass_kg)[:, week]),
        _rms((told["tissue_rate"] - truth.tissue_rate_pct_per_week)[:, week]),
        _rms(scale), _rms(scale[first]),
    ])  # fmt: skip


def _rms(values):
    return np.sqrt(np.nanmean(values**2))


def detect(score, event, clear, of_all=False):
    """Weekly alarms over the lowest threshold with at most 2 false ones in a hundred athlete-weeks."""
    score = np.where(np.isnan(score), -np.inf, score)
    days = score.shape[1] // 7 * 7
    looks = np.arange(6, days, 7)
    peaks = np.sort(score[:, looks][clear[:, looks]])
    allowed = int(FALSE_ALARMS * (score.shape[0] * (len(looks) - FIRST_DAYS // 7) if of_all else len(peaks)))
    threshold = peaks[-1 - allowed] if allowed < len(peaks) else -np.inf
    alarm = np.zeros(score.shape, dtype=bool)
    alarm[:, looks] = score[:, looks] > threshold
    delays, spells = [], 0
    for row, flag in zip(alarm, event, strict=True):
        edges = np.flatnonzero(np.diff(np.concatenate([[False], flag, [False]])))
        for begin, end in zip(edges[::2], edges[1::2], strict=True):
            if end - begin >= LEAST_DAYS:
                spells += 1
                delays += np.flatnonzero(row[begin:end])[:1].tolist()
    return Found(len(delays) / max(spells, 1), float(np.mean(delays)) if delays else np.nan, spells)


def detections(told, world):
    """Loss over 1 %/week; not in deficit in a cut."""
    truth, log = world.truth, world.log
    known = np.arange(log.phase.shape[1]) >= FIRST_DAYS
    rate = np.nan_to_num(truth.tissue_rate_pct_per_week)
    cut = (log.phase == PhaseKind.CUT) & known
    deficit = 1 - simple.trailing(truth.intake_kcal, 14) / simple.trailing(truth.maintenance_kcal, 14)
    kept = cut & (log.phase_day > 7) & ~truth.abandoned & (deficit > 0.05)
    return (
        detect(told["too_fast"], (rate < -1) & known, (rate > -0.9) & known),
        detect(np.where(cut, told["no_deficit"], np.nan), truth.abandoned & cut, kept, of_all=True),
    )


METHODS = {"28-day difference": simple.difference, "local trend": simple.local_trend, "estimator": estimator}
HEAD = """| | week 2 | 3 | 4 | 8 | ≥ 12 | expenditure | trend | tissue rate | scale rate | its first week of a phase |\
 loss > 1 %/week | given-up cuts |
|---|---|---|---|---|---|---|---|---|---|---|---|---|
| 28-day difference, judge's world | 780 | 510 | 400 | 520 | 380 | 530 | 0.60 | 0.48 | 0.94 | | 86 % 9.6 d | 68 % 15 d |
| local trend, judge's world | 250 | 285 | 270 | 285 | 240 | 265 | 0.67 | 0.31 | 0.91 | 1.50 | 88 % 9.8 d | 59 % 15 d |
| goals | 165 | 145 | 125 | 105 | 90 | 190 | 0.43 | 0.21 | 0.60 | 0.75 | 90 % 6.0 d | 80 % 9.5 d |
| goals, harder | 185 | 170 | 155 | 145 | 120 | | 0.52 | | | | | |
"""


def table(athletes=400, days=168, seeds=(1, 2)):
    """The scores as a Markdown table, means over the seeds."""
    text = HEAD
    for harder in (False, True):
        worlds = [simulate(athletes, days, seed, harder=harder) for seed in seeds]
        for name, method in METHODS.items():
            told = [method(world.profile, world.log) for world in worlds]
            wrong = np.mean([errors(t, w) for t, w in zip(told, worlds, strict=True)], axis=0)
            seen = [detections(t, w) for t, w in zip(told, worlds, strict=True)]
            cells = [f"{x:.0f}" for x in wrong[:6]] + [f"{x:.2f}" for x in wrong[6:]]
            for one in zip(*seen, strict=True):
                share, delay = np.mean([f.share for f in one]), np.mean([f.delay_days for f in one])
                cells.append(f"{100 * share:.0f} % {delay:.1f} d (of {sum(f.spells for f in one)})")
            text += "| " + " | ".join([name + (", harder" if harder else ""), *cells]) + " |\n"
    return text


if __name__ == "__main__":
    print(table())
