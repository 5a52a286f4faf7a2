"""The state of an athlete's strength and its passes forwards and backwards over days, batched over athletes.

For every lift: level (log of the one-repetition maximum), rate per day, the athlete's own deviation from the repetition
curve, and the level on the eve of the current cut; once per athlete, today's form. The lifts are tied to each other by
what they start from and by what moves them: rates and curve deviations are correlated over an athlete's lifts, so that
one lift tells something about the others, and about a lift that is taken up later.

All steps are elementary operations on whole rows; the batch is the last axis (see `kalman`). Days before an athlete's
first session and after the last one, other athletes and lifts that were never trained change no bit of a result.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from service.domain.kalman import Update, adjoint_update, corrected
from service.domain.records import Bools, Floats, Ints, PhaseKind

MOST_EXCESS = 1.5  # of a maximum over a load: no set is longer than some 40 repetitions


@dataclass(frozen=True)
class StrengthModel:
    """Spreads of the model in log units (0.01 = 1 %), rates per day: judgement, tried on simulated lifters.

    One session's maximum has a coefficient of variation of about 4 % between days (Grgic 2020, Sports Med Open 6:31),
    here split into day form, shared by the day's lifts and the lift's own, and the session's own `log_sd`.
    """

    form_sd: float = 0.015  # of the day, all lifts
    lift_form_sd: float = 0.016  # of the day, this lift alone
    degrees_of_freedom: float = 8.0  # of the weight against sessions far off: a bad day is not a loss
    level_sd: float = 0.0015  # wander per square root of a day
    rate_sd: float = 0.0010  # of a rate that is not yet known
    rate_memory_days: float = 60.0
    rate_memory_at_switch: float = 0.0  # share of a rate that survives a change of phase: none, it starts anew
    rate_build: float = 0.0003  # usual rates
    rate_maintain: float = 0.0
    rate_cut: float = -0.0005
    rate_correlation: float = 0.85  # between the lifts of an athlete
    level_correlation: float = 0.0
    curve_sd: float = 0.10  # personal deviation from the repetition curve: 0.1 = 10 % more per repetition
    curve_correlation: float = 0.3
    offset_sd: float = 0.027  # what sessions never tell: a habit of misjudging RIR, the curve near one repetition
    loss_pct: float = 5.0  # a drop since the eve of the cut that counts


@dataclass(frozen=True)
class Logged:
    """What is known of a batch by day: sessions (days, lifts, athletes), phases (days, athletes); all contiguous."""

    log_maximum: Floats  # NaN without a session
    error_variance: Floats
    load_share: Floats  # load over the session's maximum
    drift: Floats  # the phase's usual rate
    memory: Floats  # share of yesterday's rate kept
    eve: Bools  # first day of a cut
    in_cut: Bools
    first: Bools  # (days, lifts, athletes) a lift's first session
    begins: Bools  # (days, athletes) an athlete's first session


def prepare(
    maximum_kg: Floats, log_sd: Floats, exposure: Floats, phase: Ints, day: Ints, model: StrengthModel
) -> Logged:
    """Arrange a batch for the passes: sessions (athletes, lifts, days), phases and days of phase (athletes, days)."""
    kg, sd, share = (np.ascontiguousarray(a.transpose(2, 1, 0)) for a in (maximum_kg, log_sd, exposure))
    kind, number = np.ascontiguousarray(phase.T), np.ascontiguousarray(day.T)
    seen = np.isfinite(kg)
    switch: Bools = np.asarray(number == 1)
    switch[1:] |= kind[1:] != kind[:-1]
    switch[:1] = True
    usual = np.array([0.0, model.rate_build, model.rate_cut, model.rate_maintain])
    started = np.logical_or.accumulate(seen, axis=0)
    first = started.copy()
    first[1:] &= ~started[:-1]
    any_started: Bools = np.asarray(started.any(axis=1))
    begins: Bools = any_started.copy()
    begins[1:] &= ~any_started[:-1]
    return Logged(
        log_maximum=np.where(seen, np.log(np.where(seen, kg, 1.0)), np.nan),
        error_variance=np.where(seen, sd, 0.0) ** 2 + model.lift_form_sd**2,
        load_share=np.where(seen, 1.0 - share, 1.0),
        drift=usual[kind],
        memory=np.where(switch, model.rate_memory_at_switch, np.exp(-1.0 / model.rate_memory_days)),
        eve=switch & (kind == PhaseKind.CUT),
        in_cut=kind == PhaseKind.CUT,
        first=first,
        begins=begins,
    )


class StrengthState:
    """Means (rows, athletes) and covariances (rows, rows, athletes) of a batch on one day, moved on in place."""

    def __init__(self, lifts: int, athletes: int, model: StrengthModel) -> None:
        """Begin with the prior; an athlete's first session renews it."""
        self.model = model
        self.level, self.rate = slice(0, lifts), slice(lifts, 2 * lifts)
        self.curve, self.eve = slice(2 * lifts, 3 * lifts), slice(3 * lifts, 4 * lifts)
        self.form = 4 * lifts
        self.lifts = lifts
        self.mean = np.zeros((4 * lifts + 1, athletes))
        self.cov = np.zeros((4 * lifts + 1, 4 * lifts + 1, athletes))
        self._product = np.empty_like(self.cov)
        same = np.eye(lifts)
        own = 1.0 - model.rate_correlation
        self._rate_cov = model.rate_sd**2 * (model.rate_correlation + own * same)[:, :, None]
        own = 1.0 - model.curve_correlation
        self._curve_cov = model.curve_sd**2 * (model.curve_correlation + own * same)[:, :, None]
        own = 1.0 - model.level_correlation
        self._level_cov = model.level_sd**2 * (model.level_correlation + own * same)[:, :, None]

    def predict(self, logged: Logged, day: int) -> None:
        """Move on to a day: on the first day of a cut its eve is yesterday's level, then levels follow their rates."""
        x, p, level, rate, form = self.mean, self.cov, self.level, self.rate, self.form
        drift, memory, eve = logged.drift[day], logged.memory[day], logged.eve[day]
        if eve.any():
            x[self.eve] = np.where(eve, x[level], x[self.eve])
            p[self.eve] = np.where(eve, p[level], p[self.eve])
            p[:, self.eve] = np.where(eve, p[:, level], p[:, self.eve])
        x[level] += x[rate]
        p[level] += p[rate]
        p[:, level] += p[:, rate]
        x[rate] = drift + memory * (x[rate] - drift)
        p[rate] *= memory
        p[:, rate] *= memory
        p[level, level] += self._level_cov
        p[rate, rate] += self._rate_cov * (1.0 - memory * memory)
        x[form], p[form], p[:, form] = 0.0, 0.0, 0.0
        p[form, form] = self.model.form_sd**2

    def start(self, logged: Logged, day: int) -> None:
        """Begin athletes with the prior, and lifts with a level that is all but unknown."""
        x, p = self.mean, self.cov
        begins = logged.begins[day]
        if begins.any():
            prior = np.zeros(p.shape[:2])
            prior[self.rate, self.rate] = self._rate_cov[:, :, 0]
            prior[self.curve, self.curve] = self._curve_cov[:, :, 0]
            prior[self.form, self.form] = self.model.form_sd**2
            p[...] = np.where(begins, prior[:, :, None], p)
            x[...] = np.where(begins, 0.0, x)
            x[self.rate] = np.where(begins, logged.drift[day], x[self.rate])
        for lift in np.flatnonzero(logged.first[day].any(axis=1)):
            new = logged.first[day, lift]
            for row in (self.level.start + lift, self.eve.start + lift):
                x[row] = np.where(new, logged.log_maximum[day, lift], x[row])
                p[row] = np.where(new, 0.0, p[row])
                p[:, row] = np.where(new, 0.0, p[:, row])
            for row in (self.level.start + lift, self.eve.start + lift):
                for column in (self.level.start + lift, self.eve.start + lift):
                    p[row, column] = np.where(new, 1.0, p[row, column])

    def update(self, logged: Logged, day: int) -> list[Update]:
        """Weigh the day's sessions in, one lift after the other."""
        trained = np.flatnonzero(np.isfinite(logged.log_maximum[day]).any(axis=1))
        return [self._update(logged, day, int(lift)) for lift in trained]

    def _update(self, logged: Logged, day: int, lift: int) -> Update:
        x, p = self.mean, self.cov
        level, curve = lift, self.curve.start + lift
        value = logged.log_maximum[day, lift]
        seen = ~np.isnan(value)
        load_share = logged.load_share[day, lift]
        measured = np.where(seen, value, x[level])
        excess = np.clip(np.exp(x[level] - measured) / load_share - 1.0, 0.0, MOST_EXCESS) * np.exp(-x[curve])
        share = excess / (1.0 + excess)
        slope = (excess + np.exp(-x[curve])) / (1.0 + excess)
        expected = np.log((1.0 + excess) * load_share)
        spread = slope * p[level] - share * p[curve] + p[self.form]
        known = slope * spread[level] - share * spread[curve] + spread[self.form]
        innovation = np.where(seen, -expected - x[self.form], 0.0)
        freedom, error = self.model.degrees_of_freedom, logged.error_variance[day, lift]
        doubt = np.maximum((freedom + innovation * innovation / (known + error)) / (freedom + 1.0), 1.0)
        variance = np.where(seen, known + error * doubt, 1.0)
        spread *= seen
        gain = spread / variance
        x += gain * innovation
        root = spread / np.sqrt(variance)
        np.multiply(root[:, None], root[None, :], out=self._product)
        p -= self._product
        h = np.zeros_like(x)
        h[level], h[curve], h[self.form] = slope * seen, -share * seen, seen
        return Update(innovation, variance, gain, h)

    def back(self, logged: Logged, day: int, adjoint: Floats, information: Floats) -> None:
        """Carry the smoother's adjoint from a day's prediction to the evening before, in place."""
        level, rate, eve = self.level, self.rate, self.eve
        for lift in np.flatnonzero(logged.first[day].any(axis=1)):
            for row in (level.start + lift, eve.start + lift):
                adjoint[row] = np.where(logged.first[day, lift], 0.0, adjoint[row])
                information[row] = np.where(logged.first[day, lift], 0.0, information[row])
                information[:, row] = np.where(logged.first[day, lift], 0.0, information[:, row])
        copied, memory = logged.eve[day], logged.memory[day]
        for a in (adjoint, information, information.transpose(1, 0, 2)):
            a[self.form] = 0.0
            a[rate] *= memory
            a[rate] += a[level]
            a[level] += np.where(copied, a[eve], 0.0)
            a[eve] = np.where(copied, 0.0, a[eve])


def forward(logged: Logged, model: StrengthModel) -> Iterator[tuple[int, StrengthState, list[Update]]]:
    """Pass over the days, yielding the day, the state in the evening (reused) and what the day's sessions did."""
    days, lifts, athletes = logged.log_maximum.shape
    state = StrengthState(lifts, athletes, model)
    for day in range(days):
        state.predict(logged, day)
        state.start(logged, day)
        yield day, state, state.update(logged, day)


def smoothed(logged: Logged, model: StrengthModel) -> Iterator[tuple[int, StrengthState]]:
    """Pass back over the days from the last, yielding the state in the evening given all sessions (see `kalman`)."""
    kept = [(state.mean.copy(), state.cov.copy(), done) for _, state, done in forward(logged, model)]
    days, lifts, athletes = logged.log_maximum.shape
    state = StrengthState(lifts, athletes, model)
    adjoint, information = np.zeros_like(state.mean), np.zeros_like(state.cov)
    for day in range(days - 1, -1, -1):
        mean, cov, updates = kept.pop()
        state.mean, state.cov = corrected(mean, cov, adjoint, information)
        yield day, state
        for done in reversed(updates):
            adjoint_update(adjoint, information, done)
        state.back(logged, day, adjoint, information)
