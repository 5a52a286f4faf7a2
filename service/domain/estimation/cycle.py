"""The menstrual cycle: the day in it, and the rhythm of mass that goes with it."""

from dataclasses import dataclass, field, replace

import numpy as np

from service.domain.estimation import model as m
from service.domain.estimation.initial import initially
from service.domain.estimation.model import CYCLE_COS, CYCLE_SIN, STATES
from service.domain.kalman import Moments
from service.domain.records import Bools, Floats, Ints

USUAL_LENGTH_DAYS = 28.0  # d (common practice)
BELIEVED_DAYS = (20.0, 45.0)  # d, cycles outside are a missed or a double entry and teach nothing; judged
LENGTH_LEARNED = 0.4  # share of a new cycle's length in the usual one; judged


@dataclass(frozen=True)
class Cycle:
    """Where in the cycle the athletes are; arrays (athletes,)."""

    day: Floats = field(metadata=initially(np.nan))  # since the last menstruation started, NaN = never logged
    length_days: Floats = field(metadata=initially(USUAL_LENGTH_DAYS))

    def on(self, date: np.datetime64) -> "Cycle":
        """The same with the day by the calendar where no start was logged."""
        calendar = float(date.astype(np.int64) % int(USUAL_LENGTH_DAYS))
        return replace(self, day=np.where(np.isnan(self.day), calendar, self.day))

    def after_start(self, starts: Bools) -> "Cycle":
        """The same once menstruation `starts` (athletes,): the usual length moves towards that of the cycle ended."""
        low, high = BELIEVED_DAYS
        believed = starts & (self.day >= low) & (self.day <= high)
        ended_days = np.where(believed, self.day, self.length_days)
        length_days = self.length_days + LENGTH_LEARNED * (ended_days - self.length_days)
        return Cycle(np.where(starts, 0.0, self.day), length_days)

    def tomorrow(self) -> "Cycle":
        """The same a day later."""
        return replace(self, day=self.day + 1.0)


def rhythm(day: Floats, length_days: Floats) -> Floats:
    """Cosine and sine at a day of the cycle, (2, athletes): (1 − t²)/(1 + t²) and 2t/(1 + t²), t = tan(π·day/length).

    One tangent of half the angle costs less than cosine and sine.
    """
    half = np.tan(day * (np.pi / length_days))
    square = half * half
    return np.stack([1.0 - square, 2.0 * half]) / (1.0 + square)


def expect_rhythm(moments: Moments, rows: Ints) -> None:
    """A first start was logged by the athletes `rows`: the free rhythm becomes the known one; in place."""
    for state, mean_kg in ((CYCLE_COS, m.CYCLE_MEAN_KG), (CYCLE_SIN, 0.0)):
        moments.mean[state, rows] = mean_kg
        moments.cov[state, :, rows] = 0.0
        moments.cov[:, state, rows] = 0.0
        moments.cov[state, state, rows] = m.CYCLE_SD_KG**2


def states_in_use(cov: Floats) -> int:
    """The number of leading states in use: a batch in which nobody has a cycle needs no rhythm of it, if that is last.

    The states left out are exactly zero, so leaving them out changes no bit of the others.
    """
    size = STATES
    while size - 1 in (CYCLE_COS, CYCLE_SIN) and not cov[size - 1, size - 1].any():
        size -= 1
    return size
