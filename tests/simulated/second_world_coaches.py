"""A year in the second simulated world under simple coaches: the usual spreadsheet rule, and one who knows the truth.

A coach is called once a week with the `Year` and changes `year.target` (kcal on the logging scale) and
`year.believed` (maintenance it rests on); the calendar of phases is fixed. Scores are those of the issue's table.
"""

from dataclasses import dataclass
from itertools import pairwise
from types import SimpleNamespace

import numpy as np

from service.domain.records import PhaseKind
from tests.simulated import coached_year
from tests.simulated.second_world import CHOICES, FIRST_DAY, Simulation, draw_people
from tests.simulated.second_world_baselines import KCAL_PER_KG, trailing, without_outliers

WEEKS, LOGGED_FIRST = 52, 2
LENGTH_WEEKS = np.array([0, 6, 5, 4])  # by PhaseKind: build, cut, maintain
NEXT = np.array([0, 2, 3, 1])
LOW, HIGH, AIM = np.array([0, 0.25, -1.0, -0.25]), np.array([0, 0.5, -0.5, 0.25]), np.array([0, 0.375, -0.7, 0.0])


@dataclass
class Year:
    """A roster, its plan and what is kept for scoring; arrays (athletes,) or lists of them by week."""

    simulation: Simulation
    kind: np.ndarray
    left: np.ndarray  # weeks of the phase, this one included
    target: np.ndarray
    believed: np.ndarray
    new: np.ndarray
    changed: np.ndarray  # (athletes, weeks) kcal, changes within phases
    week: int = 0

    def change(self, kcal):
        """Move the target within the phase; 0 holds."""
        self.target = self.target + kcal
        self.changed[:, self.week] += kcal


def live(coach, athletes, seed, choices=CHOICES, first=(0.35, 0.4, 0.25)):
    """A year under a coach; returns scores and the year."""
    draw = np.random.default_rng(np.random.SeedSequence([seed, 23]))
    simulation = Simulation(draw_people(draw, athletes, choices), 7 * WEEKS, seed, choices=choices)
    simulation.advance(7 * LOGGED_FIRST)
    kind = draw.choice([1, 2, 3], athletes, p=first)
    nothing = np.full(athletes, np.nan)
    year = Year(
        simulation, kind, LENGTH_WEEKS[kind], nothing, nothing.copy(), np.ones(athletes, bool),
        np.zeros((athletes, WEEKS)), LOGGED_FIRST,
    )  # fmt: skip
    believed = np.full((athletes, 7 * WEEKS), np.nan)
    while year.week < WEEKS:
        coach(year)
        believed[:, 7 * year.week : 7 * year.week + 7] = year.believed[:, None]
        simulation.set_targets(year.target, year.kind, year.new)
        simulation.advance(7)
        year.week += 1
        year.left = year.left - 1
        year.new = year.left == 0
        year.kind = np.where(year.new, NEXT[year.kind], year.kind)
        year.left = np.where(year.new, LENGTH_WEEKS[year.kind], year.left)
    moves = [[(7 * int(week), row[week]) for week in np.flatnonzero(row)] for row in year.changed]
    return score(simulation.world(), believed, moves), year


def service_policy(athletes, seed, choices=CHOICES, coach=None):
    """The service's own policy (or another coach of `coached_year`) in this world, without training data."""
    draw = np.random.default_rng(np.random.SeedSequence([seed, 23]))
    people = draw_people(draw, athletes, choices)
    simulation = Simulation(people, coached_year.DAYS + 3, seed, choices=choices)
    simulation.advance(7 * LOGGED_FIRST)
    goal = np.maximum(people.body_fat_pct - draw.uniform(2.0, 6.0, athletes), np.where(people.male, 11.0, 19.0))
    lifters = SimpleNamespace(experience=np.ones(athletes, dtype=int))
    year = coached_year.Year(simulation, lifters, seed, [coached_year.Plan() for _ in range(athletes)], goal)
    year.changes = [[] for _ in range(athletes)]
    year.believed_kcal = np.full((athletes, coached_year.DAYS + 3), np.nan)
    year.first = [str(kind) for kind in draw.choice(["build", "cut", "maintain"], athletes, p=[0.35, 0.4, 0.25])]
    coach = coach or coached_year.PolicyCoach(strength=False)
    while simulation.day < coached_year.DAYS:
        coach(year)
        year.live_a_week()
    moves = [[((on - FIRST_DAY).days, kcal) for on, kcal in one] for one in year.changes]
    return score(simulation.world(), year.believed_kcal, moves), year


def score(world, believed, moves):
    """The issue's closed-loop measures by whole weeks of each phase: %, points, or per athlete-year.

    `believed` (athletes, days) is the maintenance a plan rests on, `moves` each athlete's (day, kcal) within phases.
    """
    truth, log = world.truth, world.log
    days = log.phase.shape[1]
    kind = np.where((log.phase_day > 0) & (log.phase_day % 7 == 0), log.phase, 0)
    rate = truth.tissue_rate_pct_per_week
    deficit = 100 * (1 - _week(truth.intake_kcal) / _week(truth.maintenance_kcal))
    meant = 100 * (1 - _week(log.target_kcal / believed[:, :days]))
    cut, build, maintain = (kind == k for k in (PhaseKind.CUT, PhaseKind.BUILD, PhaseKind.MAINTAIN))
    back = sum(x * y < 0 and b - a <= 21 for one in moves for (a, x), (b, y) in pairwise(one))
    years = len(moves) * (days - 7 * LOGGED_FIRST) / 365.25
    return {
        "in_band": 100 * np.mean((rate[cut] >= -1) & (rate[cut] <= -0.5)),
        "too_fast": 100 * np.mean(rate[cut] < -1),
        "no_deficit": 100 * np.mean(deficit[cut] < 5),
        "gap": np.nanmean(np.abs(meant - deficit)[cut]),
        "maintained": 100 * np.mean(np.abs(rate[maintain]) <= 0.25),
        "built": 100 * np.mean((rate[build] >= 0.25) & (rate[build] <= 0.5)),
        "changes": sum(len(one) for one in moves) / years,
        "reversals": back / years,
        "mean_cut": np.mean(rate[cut]),
        "sd_cut": np.std(rate[cut]),
        "mean_build": np.mean(rate[build]),
        "gap_of_phase": _gap_of_phases(meant - deficit, cut),
        "gap_followed": np.nanmean(np.abs(meant - deficit)[cut & ~truth.abandoned]),
        "gap_of_target": _gap_of_target(world, meant, cut),
    }


def _week(values):
    out = np.full(values.shape, np.nan)
    out[:, 6:] = np.lib.stride_tricks.sliding_window_view(values, 7, axis=1).mean(axis=2)
    return out


def _gap_of_phases(gap, cut):
    """Mean distance of meant and true deficits averaged over each cut, points."""
    found = []
    for row, mask in zip(gap, cut, strict=True):
        at = np.flatnonzero(mask)
        found += [abs(np.nanmean(row[part])) for part in np.split(at, np.flatnonzero(np.diff(at) > 7) + 1) if len(part)]
    return np.mean(found)


def _gap_of_target(world, meant, cut):
    """Mean distance of the meant deficit from that of the target if it were eaten, points."""
    held = world.truth.reporting_factor.copy()
    held[world.truth.abandoned] = np.nan
    true = 100 * (1 - _week(world.log.target_kcal / (world.truth.maintenance_kcal * held)))
    return np.nanmean(np.abs(meant - true)[cut])


def aimed(maintenance, mass_kg, kind, density=KCAL_PER_KG):
    """Energy for the aim of a phase, kcal."""
    return maintenance + AIM[kind] / 100 * mass_kg * density / 7


class Spreadsheet:
    """7-day means; ±100 to 250 kcal when outside the band for two weeks, which also moves the maintenance believed."""

    def __init__(self, start="intake", least=2, shares=(0, 0.08, -0.22, 0)):
        self.start, self.least, self.outside = start, least, None  # `least` weigh-ins in each week, or it waits
        self.shares = shares  # of maintenance by PhaseKind at a switch; none: for the aim at 7700 kcal/kg

    def __call__(self, year):
        p = year.simulation.people
        mass, intake = without_outliers(year.simulation.world().log)
        week = trailing(mass, 7)
        now, before = week[:, -1], week[:, -8]
        now = np.where(np.isnan(now), p.mass_kg, now)
        seen = np.isfinite(mass[:, -14:]).reshape(-1, 2, 7).sum(axis=2).min(axis=1)
        rate = np.where(seen >= self.least, np.nan_to_num(100 * (now - before) / before), AIM[year.kind])
        if self.outside is None:
            self.outside = np.zeros(len(now))
            year.believed = self._first(p, now, intake)
        self.outside[year.new] = 0
        planned = aimed(year.believed, now, year.kind)
        if self.shares is not None:
            planned = year.believed * (1 + np.array(self.shares)[year.kind])
        year.target = np.where(year.new, planned, year.target)
        side = np.where(rate > HIGH[year.kind], 1, np.where(rate < LOW[year.kind], -1, 0))
        self.outside = np.where(side * self.outside > 0, self.outside + side, side)
        off = np.abs(rate - AIM[year.kind]) / 100 * now * KCAL_PER_KG / 7
        act = ~year.new & (np.abs(self.outside) >= 2)
        move = np.where(act, -np.sign(self.outside) * 50 * np.round(off.clip(100, 250) / 50), 0)
        year.change(move)
        year.believed = year.believed + move
        self.outside[act] = 0

    def _first(self, p, mass, intake):
        factor = np.where(np.isnan(p.activity_factor), 1.65, p.activity_factor)
        equation = factor * (10 * mass + 6.25 * p.height_cm - 5 * p.age_y + np.where(p.male, 5, -161))
        eaten = trailing(intake, 14)[:, -1]
        return equation if self.start == "equation" else np.where(np.isnan(eaten), equation, eaten)


class Oracle:
    """Knows logged-scale maintenance and the energy of the tissue each week; sets the target for the aim exactly."""

    def __init__(self, cut_aim=-0.7, build_aim=0.375, against_hunger=False, density=7700.0):
        self.aim = np.array([0, build_aim, cut_aim, 0.0])
        self.against_hunger, self.density = against_hunger, density

    def __call__(self, year):
        s = year.simulation
        reports = s._week_reporting()
        year.believed = s.maintenance_logged()
        kcal = self.aim[year.kind] / 100 * s.body.tissue_kg * self.density / 7 * reports
        if self.against_hunger:  # also foresees what hunger gives back
            back = s.people.given_back * s.hunger.clip(0, 2)
            kcal = np.where(kcal < 0, kcal / (1 - back).clip(0.5), kcal)
        year.target = year.believed + kcal


COACHES = {"spreadsheet": Spreadsheet, "who knows the truth": Oracle}


def compare(athletes, seeds):
    """Mean scores of the simple coaches and of the service's policy over some rosters."""
    scores = {name: [live(coach(), athletes, seed)[0] for seed in seeds] for name, coach in COACHES.items()}
    scores["policy"] = [service_policy(athletes, seed)[0] for seed in seeds]
    return {
        name: {key: float(np.mean([one[key] for one in found])) for key in found[0]} for name, found in scores.items()
    }
