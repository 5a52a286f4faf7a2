"""Is another scale in use? A second branch in which the scale shifted, followed until weigh-ins decide."""

from dataclasses import dataclass

import numpy as np

from service.domain import kalman
from service.domain.estimation import hypothesis
from service.domain.estimation import model as m
from service.domain.estimation.model import SCALE, STATES
from service.domain.estimation.state import FilterState
from service.domain.records import Bools, Floats, Ints

SUSPECT_SD, SUSPECT_KG = 2.2, 1.1  # a weigh-in this far off makes a new scale thinkable
LOG_ODDS = 12.0  # a new scale is rare, and water (creatine, salt, illness) lasts longer than the model says
LOG_ODDS_AFTER_SWITCH = 2.0  # more in the first days of a phase, when water moves too
LOG_ODDS_BACK = 3.0  # evidence needed to return to the old scale (a journey)
LOG_ODDS_KEPT = 4.0  # evidence for a new scale that a return has to make up for, at most
AFTER_SWITCH_DAYS = 10
GIVEN_UP, GIVEN_UP_RISE = -1.0, 0.8  # a suspicion ends when its log odds fall behind this line over weigh-ins
LEAST_WEIGHINGS, MOST_WEIGHINGS, MOST_WEIGHINGS_BACK = 7.0, 20.0, 30.0
LEAST_SHIFT_KG = 2.0  # smaller ones cannot be told from water: taking water for a scale costs more than it gains
KNOWN_WEIGHINGS = 7.0  # before these the level itself is not known well enough


class Others:
    """The branches with a new scale: moments of the athletes `rows`, ascending, close together while the filter runs.

    Few athletes have one, so all work on them is done on short arrays; `FilterState` has room for everybody.
    """

    def __init__(self, state: FilterState) -> None:
        self.rows: Ints = np.flatnonzero(state.scale_active)
        self.mean: Floats = np.take(state.scale_mean, self.rows, axis=1)
        self.cov: Floats = kalman.some(state.scale_cov, self.rows)

    def cover(self, rows: Ints) -> None:
        """Become those of other athletes; the moments of who had none are arbitrary."""
        if np.array_equal(rows, self.rows):
            return
        if self.rows.size:
            place = np.minimum(np.searchsorted(self.rows, rows), self.rows.size - 1)
            self.mean, self.cov = np.take(self.mean, place, axis=1), kalman.some(self.cov, place)
        else:
            self.mean, self.cov = np.zeros((STATES, rows.size)), np.zeros((STATES, STATES, rows.size))
        self.rows = rows

    def store(self, state: FilterState) -> None:
        """Write the moments into a state, in place."""
        state.scale_mean[:, self.rows] = self.mean
        kalman.put_some(state.scale_cov, self.rows, self.cov)


@dataclass(frozen=True)
class Suspicion:
    """What a morning did to the branches of the athletes `Others.rows`; arrays in their order."""

    updates: tuple[kalman.Update, ...]
    begun: Bools
    won: Bools  # the branch is adopted: it changes places with the main one


def begins(state: FilterState, z2: Floats, miss_kg: Floats) -> Bools:
    """Whose weigh-in makes a new scale thinkable, (athletes,); `z2` and `miss_kg` as the main branch sees it."""
    off = (z2 > SUSPECT_SD**2) & (miss_kg > SUSPECT_KG)
    return off & ~state.scale_active & (state.weighed_days >= KNOWN_WEIGHINGS)


@dataclass(frozen=True)
class News:
    """What a morning brought, as the main branch sees it; arrays (athletes,)."""

    switch: Bools
    told: hypothesis.Told
    sight: hypothesis.Sight | None  # None: nobody's weigh-in
    used: Bools  # the weigh-ins that are no slips
    noise_scale: Floats
    phase_day: Ints


def follow(state: FilterState, others: Others, begun: Bools, news: News, size: int, *, traced: bool) -> Suspicion:
    """Take one morning into the branches with a new scale; before the main branch takes in its weigh-in.

    A branch begins as a copy of the main one with an unknown shift, N(0, 1.2 kg), at a weigh-in that is off; the log
    odds of both branches' densities decide. Once adopted, the former main branch waits as the other one. The first
    `size` states are in use.
    """
    rows = np.flatnonzero(state.scale_active | begun)
    others.cover(rows)
    fresh = begun[rows]
    mean, cov = others.mean[:size], others.cov[:size, :size]
    hypothesis.switch_phase(cov, np.flatnonzero(news.switch[rows]), state.reference_kcal[rows])
    told = news.told.to_others(mean, cov, rows, fresh, traced=traced)
    new = np.flatnonzero(fresh)
    mean[:, new] = np.take(state.mean[:size], rows[new], axis=1)
    kalman.put_some(cov, new, kalman.some(state.cov[:size, :size], rows[new]))
    cov[SCALE, SCALE, new] += m.SCALE_STEP_SD_KG**2
    likelier, weighed = np.zeros(rows.size), None
    if news.sight is not None:
        likelier, weighed = _weigh(state, mean, cov, rows, news.sight, news, traced=traced)
    shift_kg = np.abs(mean[SCALE] - state.mean[SCALE, rows])
    won = _decide(state, rows, fresh, likelier, news.used[rows], shift_kg, news.phase_day[rows])
    nothing = kalman.no_update(*mean.shape)
    return Suspicion((told or nothing, weighed or nothing) if traced else (), fresh, won)


def _weigh(
    state: FilterState, mean: Floats, cov: Floats, rows: Ints, main: hypothesis.Sight, news: News, *, traced: bool
) -> tuple[Floats, kalman.Update | None]:
    """Take the weigh-ins of `rows` into their other branches, in place.

    Returns how much likelier they are there than in the main branch, as log odds, and the update if it is `traced`.
    """
    used = news.used[rows]
    row = {at: c if isinstance(c, float) else c[rows] for at, c in main.row.items()}
    mass_kg = np.where(used, main.mass_kg[rows], np.nan)
    sight = hypothesis.see(mean, cov, row, mass_kg, news.noise_scale[rows], state.water_variance[rows])
    likelier = hypothesis.log_density(sight.innovation, sight.variance)
    likelier -= hypothesis.log_density(np.where(used, main.innovation[rows], np.nan), main.variance[rows])
    return likelier, hypothesis.weigh(mean, cov, sight, used, np.zeros(0, np.int64), traced=traced)


def _decide(
    state: FilterState, rows: Ints, fresh: Bools, likelier: Floats, used: Bools, shift_kg: Floats, phase_day: Ints
) -> Bools:
    """Count the evidence of a morning, in place; returns which of the branches of `rows` are adopted."""
    returning = state.scale_returning[rows] & ~fresh
    score = np.where(fresh, 0.0, state.scale_score[rows]) + likelier
    weighings = np.where(fresh, 0.0, state.scale_weighings[rows]) + used
    needed = LOG_ODDS + np.where((phase_day > 0) & (phase_day <= AFTER_SWITCH_DAYS), LOG_ODDS_AFTER_SWITCH, 0.0)
    needed = np.where(returning, LOG_ODDS_BACK, needed)
    won: Bools = (score > needed) & (weighings >= LEAST_WEIGHINGS) & (returning | (shift_kg > LEAST_SHIFT_KG))
    behind = score < GIVEN_UP + GIVEN_UP_RISE * weighings
    finished = np.where(returning, weighings >= MOST_WEIGHINGS_BACK, (weighings >= MOST_WEIGHINGS) | behind)
    state.scale_active[rows] = won & ~returning | ~won & ~finished
    state.scale_returning[rows] = (returning & ~won & ~finished) | (won & ~returning)
    state.scale_score[rows] = np.where(won, -np.minimum(score, LOG_ODDS_KEPT), score)
    state.scale_weighings[rows] = np.where(won, 0.0, weighings)
    return won


def settle(
    state: FilterState, others: Others, found: Suspicion, updates: tuple[kalman.Update, ...]
) -> tuple[tuple[kalman.Update, ...], tuple[kalman.Update, ...]]:
    """Let adopted branches change places with the main one, which may come back; in place.

    `updates` are the main branch's of the morning, none where nobody wants to know. Returns the updates of the main
    branch and of the others as they stand afterwards.
    """
    won, here = found.won, found.updates
    rows = others.rows[won]
    if not rows.size:
        return updates, here
    mean, cov = others.mean, others.cov
    mean[:, won], state.mean[:, rows] = state.mean[:, rows], mean[:, won]
    cov[:, :, won], state.cov[:, :, rows] = state.cov[:, :, rows], cov[:, :, won]
    if not updates:
        return updates, here
    theirs = tuple(kalman.pick(done, rows) for done in updates)
    updates = tuple(kalman.put(u, rows, kalman.pick(h, won)) for u, h in zip(updates, here, strict=True))
    return updates, tuple(kalman.put(h, np.flatnonzero(won), t) for h, t in zip(here, theirs, strict=True))
