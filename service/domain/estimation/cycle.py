"""The menstrual cycle: the day in it, and the rhythm of mass that goes with it."""

from dataclasses import dataclass, field, replace

import numpy as np

from service.domain import kalman
from service.domain.estimation import model as m
from service.domain.estimation.initial import initially
from service.domain.estimation.model import CYCLE_COS, CYCLE_SIN, STATES
from service.domain.kalman import Moments
from service.domain.records import Bools, CycleKind, Floats, Ints

UNKNOWN, NATURAL = int(CycleKind.UNKNOWN), int(CycleKind.NATURAL)
UNTIL_AGE_Y = 52.0  # y, no cycle above where nobody said so; judged
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


def may_cycle(male: Bools, age_y: Floats, kind: Ints) -> Bools:
    """Of whom a menstrual cycle is to be expected: who said so, and who was not asked and may have one; (athletes,)."""
    expected: Bools = (kind == NATURAL) | (kind == UNKNOWN) & ~male & (age_y <= UNTIL_AGE_Y)
    return expected


def rhythm(day: Floats, length_days: Floats) -> Floats:
    """Cosine and sine at a day of the cycle, (2, athletes): (1 − t²)/(1 + t²) and 2t/(1 + t²), t = tan(π·day/length).

    One tangent of half the angle costs less than cosine and sine.
    """
    half = np.tan(day * (np.pi / length_days))
    square = half * half
    return np.stack([1.0 - square, 2.0 * half]) / (1.0 + square)


@dataclass(frozen=True)
class FirstStart:
    """What the first logged start told of the rhythm of the athletes `rows`."""

    rows: Ints
    turn: Floats  # cosine and sine of the angle by which the rhythm turned, (2, rows)
    updates: tuple[kalman.Update, ...]  # of cosine and sine, afterwards

    def carry_back(self, adjoint: Floats, information: Floats) -> None:
        """Adjoint of `expect_rhythm`, in place."""
        for update in reversed(self.updates):
            kalman.adjoint_update(adjoint, information, kalman.spread_out(update, self.rows, adjoint.shape[-1]))
        turned_back = np.stack([self.turn[0], -self.turn[1]])
        for values in (adjoint, information, information.transpose(1, 0, 2)):
            cosines, sines = values[CYCLE_COS], values[CYCLE_SIN]
            turned = _turned(cosines[..., self.rows], sines[..., self.rows], turned_back)
            cosines[..., self.rows], sines[..., self.rows] = turned


def expect_rhythm(moments: Moments, rows: Ints, day: Floats) -> FirstStart:
    """A first start was logged by the athletes `rows`, on `day` of the calendar's cycle (rows,); in place.

    The free rhythm N(0, s²) of both states is turned so that it counts from the start, and becomes the known one by a
    reading of each that makes the difference: noise v = 1/(1/s₁² − 1/s²), value v·mean₁/s₁². So all weigh-ins before
    count as they would if the day of the cycle had been known.
    """
    some = moments.of(rows)
    mean, cov = some.mean, some.cov
    for state in (CYCLE_COS, CYCLE_SIN):  # a start of somebody of whom no rhythm was expected
        cov[state, state] = np.where(cov[state, state] == 0.0, m.CYCLE_SD_UNLOGGED_KG**2, cov[state, state])
    turn = rhythm(day, np.full(day.shape, USUAL_LENGTH_DAYS))
    mean[CYCLE_COS], mean[CYCLE_SIN] = _turned(mean[CYCLE_COS], mean[CYCLE_SIN], turn)
    cosines, sines = cov[:CYCLE_COS, CYCLE_COS], cov[:CYCLE_COS, CYCLE_SIN]
    cov[:CYCLE_COS, CYCLE_COS], cov[:CYCLE_COS, CYCLE_SIN] = _turned(cosines, sines, turn)
    both = kalman.mirrored(cov[CYCLE_COS:, CYCLE_COS:])
    both[0], both[1] = _turned(both[0], both[1], turn)
    both[:, 0], both[:, 1] = _turned(both[:, 0], both[:, 1], turn)
    cov[CYCLE_COS:, CYCLE_COS:] = both
    noise = 1.0 / (1.0 / m.CYCLE_SD_KG**2 - 1.0 / m.CYCLE_SD_UNLOGGED_KG**2)
    updates = []
    for state, mean_kg in ((CYCLE_COS, m.CYCLE_MEAN_KG), (CYCLE_SIN, 0.0)):
        value = np.full(day.shape, noise * mean_kg / m.CYCLE_SD_KG**2)
        updates.append(kalman.update(mean, cov, {state: 1.0}, value, np.full(day.shape, noise)))
    moments.put(rows, some)
    return FirstStart(rows, turn, tuple(updates))


def _turned(cosines: Floats, sines: Floats, turn: Floats) -> tuple[Floats, Floats]:
    return turn[0] * cosines + turn[1] * sines, turn[0] * sines - turn[1] * cosines


def states_in_use(cov: Floats) -> int:
    """The number of leading states in use: a batch in which nobody has a cycle needs no rhythm of it, if that is last.

    The states left out are exactly zero, so leaving them out changes no bit of the others.
    """
    size = STATES
    while size - 1 in (CYCLE_COS, CYCLE_SIN) and not cov[size - 1, size - 1].any():
        size -= 1
    return size
