"""A second simulated world, written from the issue's own words, to judge estimator and policy without bias.

People eat towards a target on their own logging scale, as far as hunger, weekends and temper let them; move less in
cuts; change jobs; give up quietly; and log untidily (`second_world_log`). Bodies are those of `second_world_body`.
Nothing is shared with the estimator or with the first world. What the issue leaves open is chosen in `Choices`, set so
that the two simple methods and the spreadsheet rule score here about as the issue says they do in the judge's world.
"""

from dataclasses import dataclass
from datetime import date, timedelta
from types import SimpleNamespace

import numpy as np

from service.domain.records import Athletes, DailyLog, PhaseKind
from tests.simulated.second_world_body import MJ_PER_KCAL, Bodies, mifflin_mj
from tests.simulated.second_world_log import Logbook

FIRST_DAY = date(2025, 1, 6)  # a Monday


@dataclass(frozen=True)
class Choices:
    """What the issue leaves open."""

    male: float = 0.6
    activity_error: float = 0.07  # of the coach's factor, relative
    activity_unknown: float = 0.0
    activity_drift: float = 0.10  # of activity energy, slow
    activity_jump: float = 0.25  # of activity energy, per new job
    job_days: float = 300.0  # mean time between new jobs
    activity_falls: float = 0.4  # share of activity energy lost per unit of deficit share
    lean_share: tuple[float, float] = (0.4, 1.0)  # of Forbes's lean share: lifters keep lean tissue
    adherence_bias: float = 0.035  # of the target, between people
    temper_persists: float = 0.0  # from day to day
    weekend_more: tuple[float, float] = (0.0, 0.15)
    given_back: float = 0.30  # of a deficit that was meant, in full hunger, mean over people
    quits_per_day: float = 0.025  # hazard in a 25 % cut; a fifth of it without hunger
    hidden: float = 0.5  # of those who quit: go on logging the target
    coach_error: float = 0.15  # of logged-scale maintenance when a phase is planned
    drifting_reporters: float = 0.3
    reporting_drift: float = 0.10  # of intake over a year, for those who drift
    weekend_reporters: float = 0.3
    sodium_sd_g: float = 1.2
    carbohydrate_in_cut: float = 0.88  # of the usual share of energy: protein stays
    carbohydrate_in_build: float = 1.05
    noise_persists: tuple[float, float] = (0.2, 0.5)  # autocorrelation of the scale noise, day to day
    new_scale: float = 0.3  # chance in 24 weeks
    new_scale_sd_kg: float = 0.9
    dressed: float = 0.10  # largest personal share of weigh-ins with clothes
    first_phases: tuple[float, float, float] = (1.0, 0.0, 0.0)  # build, cut, maintain
    partial_share: tuple[float, float] = (0.2, 0.7)  # of a partly logged day that is in the log
    gut_kg: float = 0.3  # moves with what was eaten, in units of the usual intake


CHOICES = Choices()


@dataclass(frozen=True)
class Truth:
    """What is true; (athletes, days). Rates are of the seven days that end with the day."""

    noise_free_mass_kg: np.ndarray
    average_mass_kg: np.ndarray
    tissue_mass_kg: np.ndarray
    tissue_rate_pct_per_week: np.ndarray
    maintenance_kcal: np.ndarray  # true scale
    maintenance_logged_kcal: np.ndarray
    expenditure_kcal: np.ndarray  # energy spent that day, costs of food and deposition included
    intake_kcal: np.ndarray
    reporting_factor: np.ndarray
    abandoned: np.ndarray
    fat_mass_kg: np.ndarray
    lean_tissue_kg: np.ndarray
    body_fat_pct: np.ndarray
    hunger: np.ndarray


@dataclass(frozen=True)
class World:
    """What was logged, by whom, and what is true."""

    profile: Athletes
    log: DailyLog
    truth: Truth
    phase_days: np.ndarray


def draw_people(rng, count, choices=CHOICES):
    """Invented lifters; every attribute (athletes,)."""
    male = rng.random(count) < choices.male
    age = rng.uniform(20, 45, count)
    height = np.where(male, rng.normal(179, 7, count), rng.normal(167, 6.5, count))
    index = np.where(male, rng.normal(26, 2.5, count), rng.normal(24, 2.5, count)).clip(20, 34)
    mass = index * (height / 100) ** 2
    fat_pct = np.where(male, rng.normal(19, 4.5, count), rng.normal(28, 5, count)).clip(np.where(male, 10, 18), 40)
    level = rng.normal(1.65, 0.14, count).clip(1.35, 2.1)
    judged = level * np.exp(rng.normal(0, choices.activity_error, count))
    judged[rng.random(count) < choices.activity_unknown] = np.nan
    return SimpleNamespace(
        male=male, age_y=age, birth_year=2025.0 - age, height_cm=height, mass_kg=mass, body_fat_pct=fat_pct,
        fat_kg=mass * fat_pct / 100, activity_factor=judged, activity_level=level,
        resting_factor=rng.normal(1, 0.08, count).clip(0.75, 1.25),
        reporting_factor=rng.normal(0.88, 0.10, count).clip(0.6, 1.15),
        reporting_drift=choices.reporting_drift * rng.normal(0, 1, count)
        * (rng.random(count) < choices.drifting_reporters),
        weekend_reporting=rng.uniform(0.03, 0.15, count) * (rng.random(count) < choices.weekend_reporters),
        lean_share=rng.uniform(*choices.lean_share, count),
        carbohydrate_share=rng.normal(0.45, 0.06, count).clip(0.25, 0.6),
        adherence_sd=rng.uniform(0.12, 0.20, count),
        adherence_bias=rng.normal(0, choices.adherence_bias, count),
        weekend_more=rng.uniform(*choices.weekend_more, count),
        given_back=choices.given_back * rng.gamma(4, 1 / 4, count),
        cycle_days=np.where(~male & (rng.random(count) < 0.7), rng.normal(28.5, 2, count).clip(24, 36), np.nan),
    )  # fmt: skip


class Simulation:
    """People who live and log day by day on the targets a coach sets; the same luck however they are coached."""

    def __init__(self, people, days, seed, harder=False, choices=CHOICES):
        self.people, self.choices, self.days, self.day = people, choices, days, 0
        p, count = people, len(people.mass_kg)
        self.resting_mj = mifflin_mj(p.mass_kg, p.height_cm, p.age_y, p.male) * p.resting_factor
        self.body = Bodies(
            p.mass_kg, p.fat_kg, self.resting_mj, p.activity_level, p.carbohydrate_share, p.lean_share
        )  # fmt: skip
        rng = np.random.default_rng(np.random.SeedSequence([seed, 20]))
        self._draw_lives(rng, count, days, harder)
        shape = (count, days)
        names = ("mass_free", "tissue", "fat", "lean", "maintenance", "spent", "intake", "reporting", "hunger")
        self.past = {name: np.full(shape, np.nan) for name in names}
        self.past["abandoned"] = np.zeros(shape, dtype=bool)
        self.past["phase"] = np.zeros(shape, dtype=np.int64)
        self.past["phase_day"] = np.zeros(shape, dtype=np.int64)
        self.past["target"] = np.full(shape, np.nan)
        self.logbook = Logbook(p, days, np.random.SeedSequence([seed, 21]), harder, choices, self.ill, self.away)
        self.target, self.kind = np.full(count, np.nan), np.zeros(count, dtype=np.int64)
        self.started = np.zeros(count, dtype=bool)
        self.abandoned, self.hides = np.zeros(count, dtype=bool), np.zeros(count, dtype=bool)
        self.hunger = np.zeros(count)
        self.deficit = np.zeros(count)  # true share, mean of about ten days
        self.temper = np.zeros(count)

    def _draw_lives(self, rng, count, days, harder):
        c = self.choices
        drift = np.zeros((count, days))
        drift[:, 0] = rng.normal(0, c.activity_drift, count) * 0.5
        jobs = rng.normal(0, c.activity_jump, (count, days)) * (rng.random((count, days)) < 1 / c.job_days)
        jobs[:, 0] = 0
        step = c.activity_drift * np.sqrt(2 / 60) * rng.standard_normal((count, days))
        for day in range(1, days):
            drift[:, day] = drift[:, day - 1] * (1 - 1 / 60) + step[:, day]
        drift -= drift[:, :1]
        self.activity = (1 + drift + jobs.cumsum(axis=1)).clip(0.3, 2.0)
        self.moods = rng.standard_normal((count, days))
        self.salt = c.sodium_sd_g * rng.standard_normal((count, days))
        self.tempted, self.secret = rng.random((count, days)), rng.random((count, days))
        self.log_noise = 1 + 0.04 * rng.standard_normal((count, days))
        self.ill, self.away = np.zeros((count, days), dtype=bool), np.zeros((count, days), dtype=bool)
        self.creatine = np.zeros((count, days))
        if harder:
            for spells, chance, low, high in ((self.ill, 0.4, 3, 8), (self.away, 0.5, 4, 15)):
                starts = rng.random((count, days)) < chance / 168
                for i, day in np.argwhere(starts):
                    spells[i, day : day + rng.integers(low, high)] = True
            for i in np.flatnonzero(rng.random(count) < 0.4):
                since = np.arange(days) - rng.integers(14, max(days, 15))
                self.creatine[i] = rng.uniform(0.6, 1.6) * (1 - np.exp(-since.clip(0) / 4))

    def set_targets(self, energy_kcal, kind, new_phase=None):
        """From tomorrow on: energy on the logging scale (NaN none) and PhaseKind; a new kind starts a phase."""
        kind = np.asarray(kind, dtype=np.int64)
        self.started |= (kind != self.kind) | (False if new_phase is None else np.asarray(new_phase))
        self.target, self.kind = np.array(energy_kcal, dtype=float), kind

    def advance(self, days=1):
        """Live some days."""
        for _ in range(days):
            self._live()

    def maintenance_logged(self):
        """Today's maintenance on the logging scale, kcal (athletes,)."""
        return self._maintenance() / MJ_PER_KCAL * self._week_reporting()

    def _activity(self):
        fallen = self.choices.activity_falls * self.deficit.clip(0, 0.5)
        today = min(self.day, self.days - 1)
        return self.activity[:, today] * np.where(self.ill[:, today], 0.5, 1.0) - fallen

    def _maintenance(self):
        return self.body.maintenance(self._activity())

    def _base_reporting(self):
        p = self.people
        return (p.reporting_factor + p.reporting_drift * self.day / 365).clip(0.4, 1.25)

    def _week_reporting(self):
        return self._base_reporting() - self.people.weekend_reporting * 2 / 7

    def _live(self):
        p, t = self.people, self.day
        activity, weekend = self._activity(), t % 7 >= 5
        maintenance = self._maintenance()
        self._switch(t)
        reports = self._base_reporting() - p.weekend_reporting * weekend
        usual = self._week_reporting()
        wanted, meant = self._wants(maintenance, usual)
        sd = p.adherence_sd
        stays = self.choices.temper_persists
        self.temper = stays * self.temper + np.sqrt(1 - stays**2) * self.moods[:, t]
        week = 1 + p.weekend_more * (1.0 if weekend else -0.4) * np.where(self.kind > 0, 1, 0.7)
        intake = wanted * week * (1 + sd * self.temper).clip(0.3, 2.0)
        intake = np.where(self.ill[:, t], 0.55 * intake, np.where(self.away[:, t], 1.25 * intake, intake))
        # who hides a broken cut goes on logging about what was meant
        reports = np.where(self.abandoned & self.hides, reports * np.minimum(meant / wanted, 1), reports)
        share = p.carbohydrate_share * np.choose(
            self.kind, [1.0, self.choices.carbohydrate_in_build, self.choices.carbohydrate_in_cut, 1.0]
        )
        sodium = 4 * (intake / self.body.intake_at_rest - 1) + self.salt[:, t] + 1.0 * self.away[:, t]
        self.logbook.morning(t, self.body.mass_kg, self._gut(t), self.creatine[:, t], self.phase_day)
        self._remember(t, maintenance, intake, reports)
        spent = self.body.step(intake, share * intake, sodium - 2.0 * self.ill[:, t], activity)
        self.past["spent"][:, t] = spent / MJ_PER_KCAL
        self.logbook.evening(t, intake / MJ_PER_KCAL * reports * self.log_noise[:, t], share, self.body)
        self.deficit += (1 - intake / maintenance - self.deficit) / 10
        self.hunger += (self.deficit.clip(-0.1) / 0.25 - self.hunger) / 25
        self.day += 1

    def _switch(self, t):
        before = self.past["phase_day"][:, t - 1] if t else np.zeros(len(self.kind), dtype=np.int64)
        self.phase_day = np.where(self.kind == 0, 0, np.where(self.started | (before == 0), 1, before + 1))
        self.abandoned &= ~self.started
        self.started = np.zeros_like(self.started)
        strain = (self.deficit.clip(0) / 0.25) * self.hunger.clip(0)
        quits = (self.kind == PhaseKind.CUT) & (self.phase_day > 7) & ~self.abandoned
        quits &= self.tempted[:, t] < self.choices.quits_per_day * (0.25 + strain)
        self.abandoned |= quits
        self.hides = np.where(quits, self.secret[:, t] < self.choices.hidden, self.hides)

    def _wants(self, maintenance, reports):
        """Mean true intake of the day and what was meant, MJ: the target, less what hunger gives back."""
        p = self.people
        meant = np.where(np.isnan(self.target), maintenance, self.target * MJ_PER_KCAL / reports)
        back = p.given_back * self.hunger.clip(0, 2) * (maintenance - meant).clip(0)
        wanted = meant * (1 + p.adherence_bias * (self.kind > 0)) + back
        return np.where(self.abandoned, np.maximum(wanted, 0.99 * maintenance), wanted), meant

    def _gut(self, t):
        eaten = self.past["intake"][:, max(t - 2, 0) : t]
        if not t:
            return np.zeros(len(self.kind))
        weights = np.array([0.35, 0.65])[-eaten.shape[1] :]
        usual = self.body.intake_at_rest / MJ_PER_KCAL
        return 4 * self.choices.gut_kg * ((eaten * weights).sum(axis=1) / weights.sum() / usual - 1)

    def _remember(self, t, maintenance, intake, reports):
        b, past = self.body, self.past
        past["mass_free"][:, t] = b.mass_kg + self._gut(t) + self.creatine[:, t]
        past["tissue"][:, t], past["fat"][:, t], past["lean"][:, t] = b.tissue_kg, b.fat, b.lean
        past["maintenance"][:, t] = maintenance / MJ_PER_KCAL
        past["intake"][:, t] = intake / MJ_PER_KCAL
        hidden = np.where(self.abandoned & self.hides, reports / self._base_reporting(), 1)
        past["reporting"][:, t] = self._week_reporting() * np.minimum(hidden, 1)
        past["hunger"][:, t], past["abandoned"][:, t] = self.hunger, self.abandoned
        past["phase"][:, t], past["phase_day"][:, t], past["target"][:, t] = self.kind, self.phase_day, self.target

    def world(self):
        """What was logged so far, and what is true."""
        p, past = self.people, {name: values[:, : self.day] for name, values in self.past.items()}
        trend, rate = np.full(past["tissue"].shape, np.nan), np.full(past["tissue"].shape, np.nan)
        if self.day > 6:
            trend[:, 6:] = np.lib.stride_tricks.sliding_window_view(past["mass_free"], 7, axis=1).mean(axis=2)
        rate[:, 7:] = 100 * (past["tissue"][:, 7:] - past["tissue"][:, :-7]) / past["tissue"][:, 7:]
        truth = Truth(
            past["mass_free"], trend, past["tissue"], rate, past["maintenance"],
            past["maintenance"] * past["reporting"], past["spent"], past["intake"], past["reporting"],
            past["abandoned"], past["fat"], past["lean"], 100 * past["fat"] / past["tissue"], past["hunger"],
        )  # fmt: skip
        log = DailyLog(
            days=np.arange(np.datetime64(FIRST_DAY), np.datetime64(FIRST_DAY + timedelta(days=self.day))),
            target_kcal=past["target"], phase=past["phase"], phase_day=past["phase_day"],
            **self.logbook.columns(self.day),
        )  # fmt: skip
        profile = Athletes(p.male, p.birth_year, p.height_cm, p.activity_factor, np.zeros(p.male.shape, np.int64))
        return World(profile, log, truth, past["phase_day"])


NEXT = {PhaseKind.BUILD: PhaseKind.CUT, PhaseKind.CUT: PhaseKind.MAINTAIN, PhaseKind.MAINTAIN: PhaseKind.BUILD}


def simulate(athletes, days, seed, harder=False, choices=CHOICES):
    """An imperfect coach's open-loop plan: phases of 4–6 weeks, 15–40 % deficits, 0–15 % surpluses.

    The coach believes a maintenance that is wrong by `coach_error`, drawn afresh for every phase.
    """
    draw = np.random.default_rng(np.random.SeedSequence([seed, 22]))
    simulation = Simulation(draw_people(draw, athletes, choices), days, seed, harder, choices)
    kinds = np.array(list(NEXT))
    kind = draw.choice(kinds, athletes, p=choices.first_phases)
    target, left = np.full(athletes, np.nan), np.zeros(athletes, dtype=np.int64)
    for day in range(days):
        new = left == 0
        if new.any():
            if day:
                kind = np.where(new, np.array([0, *(int(NEXT[PhaseKind(k)]) for k in (1, 2, 3))])[kind], kind)
            believed = simulation.maintenance_logged() * np.exp(draw.normal(0, choices.coach_error, athletes))
            change = np.select(
                [kind == PhaseKind.CUT, kind == PhaseKind.BUILD],
                [-draw.uniform(0.15, 0.40, athletes), draw.uniform(0, 0.15, athletes)],
            )
            target = np.where(new, believed * (1 + change), target)
            left = np.where(new, 7 * draw.integers(4, 7, athletes), left)
            simulation.set_targets(target, kind, new)
        simulation.advance(1)
        left -= 1
    return simulation.world()
