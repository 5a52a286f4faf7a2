"""What the people of the second simulated world write down: scale, food, menstruation, body fat.

Morning noise is autocorrelated; clothes, typing errors, pounds and new scales occur; weigh-ins and food days go
missing in runs; a third of the missing food days are partial, half of those flagged. All luck is drawn beforehand.
"""

import numpy as np

from service.domain.records import FoodState

KG_PER_LB = 0.45359237
MENSTRUAL_KG = 0.45  # on the day menstruation starts (10.1002/ajhb.23951, methods.md section 4)


def gaps(rng, share, days, mean_run):
    """True where something is missing: runs of `mean_run` days on average, `share` of all days; (athletes, days)."""
    out = np.zeros((len(share), days), dtype=bool)
    ends = 1 / mean_run
    begins = np.minimum(ends * share / (1 - share), 1)
    out[:, 0] = rng.random(len(share)) < share
    luck = rng.random((len(share), days))
    for day in range(1, days):
        out[:, day] = np.where(out[:, day - 1], luck[:, day] >= ends, luck[:, day] < begins)
    return out


def mistype(rng, mass_kg):
    """Weights as mistyped: half a wrong digit of units, a quarter of tens, a quarter two digits swapped."""
    kind = rng.integers(0, 4, mass_kg.shape)
    sign = np.where(rng.random(mass_kg.shape) < 0.5, -1, 1)
    digit = rng.integers(1, 10, mass_kg.shape)
    units, tens = np.floor(mass_kg) % 10, np.floor(mass_kg / 10) % 10
    swapped = mass_kg + 9 * (units - tens)
    return np.select([kind < 2, kind == 2], [mass_kg + sign * digit, mass_kg + 10 * sign], swapped)


class Logbook:
    """Luck and columns of the log; arrays (athletes, days)."""

    def __init__(self, people, days, seed, harder, choices, ill, away):
        rng = np.random.default_rng(seed)
        count, shape = len(people.mass_kg), (len(people.mass_kg), days)
        self.typing_seed = int(rng.integers(2**31))
        self._draw_scale(rng, shape, harder, choices)
        self._draw_rhythms(rng, people, shape)
        self.no_scale = gaps(rng, rng.uniform(0.10, 0.50, count), days, 3.0)
        self.no_food = gaps(rng, rng.uniform(0.05, 0.50, count), days, 2.0)
        luck = rng.random(shape)
        self.some_food = self.no_food & (luck < 1 / 3)
        self.flagged = self.some_food & (luck < 1 / 6)
        self.no_food &= ~self.some_food
        if harder:
            self.no_scale |= away & (rng.random(shape) < 0.6)
            self.no_food |= (away | ill) & (rng.random(shape) < 0.8)
        self.eaten_share = rng.uniform(*choices.partial_share, shape)
        self.says_complete = np.repeat(rng.random((count, 1)) < 0.5, days, axis=1)
        self._draw_tape(rng, shape)
        self.mass, self.intake, self.carbohydrate = (np.full(shape, np.nan) for _ in range(3))
        self.body_fat, self.body_fat_se = np.full(shape, np.nan), np.full(shape, np.nan)

    def _draw_scale(self, rng, shape, harder, choices):
        count, days = shape
        white = rng.standard_normal(shape)
        if harder:
            white = rng.standard_t(3, shape) / np.sqrt(3)
        keeps = rng.uniform(*choices.noise_persists, (count, 1))
        noise = np.empty(shape)
        noise[:, 0] = white[:, 0]
        for day in range(1, days):
            noise[:, day] = keeps[:, 0] * noise[:, day - 1] + np.sqrt(1 - keeps[:, 0] ** 2) * white[:, day]
        self.scale_noise = noise * rng.uniform(0.35, 0.55, (count, 1))
        dressed = rng.random(shape) < rng.uniform(0, choices.dressed, (count, 1))
        self.clothes = dressed * rng.normal(1.0, 0.25, shape)
        changed = rng.exponential(168 / -np.log1p(-choices.new_scale), (count, 1)) <= np.arange(days)
        self.offset = changed * rng.normal(0, choices.new_scale_sd_kg, (count, 1))
        self.mistyped, self.pounds = rng.random(shape) < 0.010, rng.random(shape) < 0.003

    def _draw_rhythms(self, rng, people, shape):
        count, days = shape
        day = np.arange(days)
        peak = rng.normal(6.5, 0.8, (count, 1))  # Sunday to Monday
        swing = 0.0012 * people.mass_kg[:, None] * rng.uniform(0.5, 1.5, (count, 1))
        self.weekly = swing * np.cos(2 * np.pi * (day - peak) / 7)
        self.menstrual, self.starts = np.zeros(shape), np.zeros(shape, dtype=bool)
        for i in np.flatnonzero(~np.isnan(people.cycle_days)):
            size, start = MENSTRUAL_KG * rng.gamma(4, 1 / 4), rng.uniform(-28, 0)
            while start < days + 10:
                self.menstrual[i] += size * np.exp(-0.5 * ((day - start) / 2.5) ** 2)
                if 0 <= start < days - 0.5 and rng.random() < 0.85:
                    self.starts[i, round(start)] = True
                start += people.cycle_days[i] + rng.normal(0, 1.5)

    def _draw_tape(self, rng, shape):
        count, days = shape
        every = rng.choice([0, 14, 28], count, p=[0.3, 0.2, 0.5])
        first = rng.integers(0, 14, count)
        self.measured = (every[:, None] > 0) & ((np.arange(days) - first[:, None]) % np.maximum(every, 1)[:, None] == 0)
        self.tape_se = np.where(rng.random(count) < 0.6, 4.5, 3.5)
        self.tape_bias = self.tape_se * 0.9 * rng.standard_normal(count)
        self.tape_noise = 1.3 * rng.standard_normal(shape)

    def morning(self, day, mass_kg, gut_kg, creatine_kg, phase_day):
        """Step on the scale."""
        true = mass_kg + gut_kg + creatine_kg + self.weekly[:, day] + self.menstrual[:, day]
        shown = true + self.scale_noise[:, day] + self.clothes[:, day] + self.offset[:, day]
        shown = np.where(self.mistyped[:, day], mistype(np.random.default_rng([self.typing_seed, day]), shown), shown)
        shown = np.where(self.pounds[:, day], shown / KG_PER_LB, shown)
        self.mass[:, day] = np.where(self.no_scale[:, day], np.nan, np.round(shown, 1))

    def evening(self, day, reported_kcal, carbohydrate_share, body):
        """Write down the day's food, and what the tape said."""
        kcal = np.where(self.some_food[:, day], reported_kcal * self.eaten_share[:, day], reported_kcal)
        kcal = np.where(self.no_food[:, day], np.nan, np.round(kcal))
        self.intake[:, day] = kcal
        self.carbohydrate[:, day] = np.round(kcal * carbohydrate_share / 4)
        fat = 100 * body.fat / body.tissue_kg + self.tape_bias + self.tape_noise[:, day]
        self.body_fat[:, day] = np.where(self.measured[:, day], np.round(fat.clip(3, 60), 1), np.nan)
        self.body_fat_se[:, day] = np.where(self.measured[:, day], self.tape_se, np.nan)

    def columns(self, days):
        """The log's columns up to a day."""
        state = np.where(self.says_complete & ~self.some_food, int(FoodState.COMPLETE), int(FoodState.UNKNOWN))
        state = np.where(self.flagged, int(FoodState.PARTIAL), state)
        state = np.where(self.no_food, int(FoodState.NOT_LOGGED), state)
        return {
            "mass_kg": self.mass[:, :days], "intake_kcal": self.intake[:, :days],
            "carbohydrate_g": self.carbohydrate[:, :days], "food_state": state[:, :days].astype(np.int64),
            "menstruation_started": self.starts[:, :days], "body_fat_pct": self.body_fat[:, :days],
            "body_fat_se_pct": self.body_fat_se[:, :days],
        }  # fmt: skip
