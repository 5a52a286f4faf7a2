"""The state of an athlete's strength and its passes forwards and backwards over days, batched over athletes.

For every lift: level (log of the one-repetition maximum), rate per day, the athlete's own deviation from the repetition
curve, and the level on the eve of the current cut; once per athlete, today's form. The lifts are tied to each other by
what they start from and by what moves them: rates and curve deviations are correlated over an athlete's lifts, so that
one lift tells something about the others, and about a lift that is taken up later.

Equations are those of the extended Kalman filter (Kalman 1960, 10.1115/1.3662552): a time update each morning, one
measurement update for each lift that is trained, with the noise inflated where an innovation is unlikely (see
`measurement_update`); smoothing is that of `kalman`.

All steps are elementary operations on whole rows; the batch is the last axis (see `kalman`). Days before an athlete's
first session and after the last one, other athletes and lifts that were never trained change no bit of a result.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from service.domain.kalman import Update, adjoint_update, corrected
from service.domain.records import Bools, Floats, PhaseKind
from service.domain.strength.sessions import LiftSessions

MOST_EXCESS = 1.5  # share of the load that a maximum is above it: no set is longer than some 40 repetitions (judgement)


@dataclass(frozen=True)
class StrengthModel:
    """Spreads of the model in log units (0.01 = 1 %), rates per day: judgement, tried on simulated lifters.

    One session's maximum has a coefficient of variation of about 4 % between days (Grgic 2020, Sports Med Open 6:31),
    here split into day form, shared by the day's lifts and the lift's own, and the session's own `log_sd`.
    """

    form_sd: float = 0.015  # log units, of a day, all lifts
    lift_form_sd: float = 0.016  # log units, of a day, one lift alone
    degrees_of_freedom: float = 8.0  # of the weight against sessions far off: a bad day is not a loss
    level_sd: float = 0.0015  # log units per square root of a day: wander
    rate_sd: float = 0.0010  # log units per day, of a rate that is not yet known
    rate_memory_days: float = 60.0  # time constant with which a rate fades to the phase's usual one
    rate_memory_at_switch: float = 0.0  # share of a rate that survives a change of phase: none, it starts anew
    rate_build: float = 0.0003  # log units per day, usual in a build
    rate_maintain: float = 0.0  # log units per day, usual in maintenance
    rate_cut: float = -0.0005  # log units per day, usual in a cut
    rate_correlation: float = 0.85  # between the lifts of an athlete
    level_correlation: float = 0.0  # likewise, of the wander
    curve_sd: float = 0.10  # log units, deviation from the repetition curve: 0.1 = 10 % more per repetition
    curve_correlation: float = 0.3  # between the lifts of an athlete
    offset_sd: float = 0.027  # log units, what sessions never tell: a habit of misjudging RIR, the curve near one
    loss_pct: float = 5.0  # per cent, a drop since the eve of the cut that counts


@dataclass(frozen=True)
class SessionsByDay:
    """A batch as the filter takes it: sessions (days, lifts, athletes), phases (days, athletes), all contiguous."""

    log_maximum: Floats  # log kg, NaN without a session
    noise_variance: Floats  # of the session's own error and of the lift's form, log units
    load_share: Floats  # load over the session's maximum
    usual_rate: Floats  # of the phase, log units per day
    rate_memory: Floats  # share of yesterday's deviation from the usual rate that is kept
    cut_begins: Bools  # first day of a cut
    in_cut: Bools
    lift_begins: Bools  # (days, lifts, athletes) a lift's first session
    athlete_begins: Bools  # (days, athletes) an athlete's first session


def sessions_by_day(sessions: LiftSessions, model: StrengthModel) -> SessionsByDay:
    """Arrange a batch for the filter."""
    maximum_kg, log_sd, curve_exposure = (
        np.ascontiguousarray(part.transpose(2, 1, 0))
        for part in (sessions.one_rep_max_kg, sessions.log_sd, sessions.curve_exposure)
    )
    phase, phase_day = np.ascontiguousarray(sessions.phase.T), np.ascontiguousarray(sessions.phase_day.T)
    trained = np.isfinite(maximum_kg)
    phase_begins: Bools = np.asarray(phase_day == 1)
    phase_begins[1:] |= phase[1:] != phase[:-1]
    phase_begins[:1] = True
    usual_rates = np.array([0.0, model.rate_build, model.rate_cut, model.rate_maintain])  # by PhaseKind
    lift_started = np.logical_or.accumulate(trained, axis=0)
    return SessionsByDay(
        log_maximum=np.where(trained, np.log(np.where(trained, maximum_kg, 1.0)), np.nan),
        noise_variance=np.where(trained, log_sd, 0.0) ** 2 + model.lift_form_sd**2,
        load_share=np.where(trained, 1.0 - curve_exposure, 1.0),
        usual_rate=usual_rates[phase],
        rate_memory=np.where(phase_begins, model.rate_memory_at_switch, np.exp(-1.0 / model.rate_memory_days)),
        cut_begins=phase_begins & (phase == PhaseKind.CUT),
        in_cut=phase == PhaseKind.CUT,
        lift_begins=_first(lift_started),
        athlete_begins=_first(np.asarray(lift_started.any(axis=1))),
    )


def _first(started: Bools) -> Bools:
    """The first day that is true, along the first axis, of what stays true once it is."""
    first = started.copy()
    first[1:] &= ~started[:-1]
    return first


class StrengthState:
    """Means (states, athletes) and covariances (states, states, athletes) of a batch on one day, moved on in place."""

    def __init__(self, lifts: int, athletes: int, model: StrengthModel) -> None:
        """Begin with zeros; an athlete's first session puts the prior in."""
        self.model = model
        self.level, self.rate = slice(0, lifts), slice(lifts, 2 * lifts)
        self.curve, self.eve = slice(2 * lifts, 3 * lifts), slice(3 * lifts, 4 * lifts)
        self.form = 4 * lifts
        self.lifts = lifts
        self.mean = np.zeros((4 * lifts + 1, athletes))
        self.cov = np.zeros((4 * lifts + 1, 4 * lifts + 1, athletes))
        self._product = np.empty_like(self.cov)
        self._rate_cov = _equicorrelated(lifts, model.rate_sd, model.rate_correlation)
        self._curve_cov = _equicorrelated(lifts, model.curve_sd, model.curve_correlation)
        self._level_cov = _equicorrelated(lifts, model.level_sd, model.level_correlation)

    def change_cov(self) -> Floats:
        """Covariance of the lifts' changes since the eve of the current cut, (lifts, lifts, athletes)."""
        cov = self.cov
        across = cov[self.level, self.eve]
        change: Floats = cov[self.level, self.level] + cov[self.eve, self.eve] - across - across.transpose(1, 0, 2)
        return change

    def time_update(self, by_day: SessionsByDay, day: int) -> None:
        """Propagate to a day, in place.

        On the first day of a cut its eve is yesterday's level. Then level ← level + rate + wander and
        rate ← usual + memory · (rate − usual) + noise, whose variance (1 − memory²) · rate_sd² keeps a rate's spread
        as it is when nothing is known of it; form is drawn anew.
        """
        mean, cov, level, rate, form = self.mean, self.cov, self.level, self.rate, self.form
        usual, memory, cut_begins = by_day.usual_rate[day], by_day.rate_memory[day], by_day.cut_begins[day]
        if cut_begins.any():
            mean[self.eve] = np.where(cut_begins, mean[level], mean[self.eve])
            cov[self.eve] = np.where(cut_begins, cov[level], cov[self.eve])
            cov[:, self.eve] = np.where(cut_begins, cov[:, level], cov[:, self.eve])
        mean[level] += mean[rate]
        cov[level] += cov[rate]
        cov[:, level] += cov[:, rate]
        mean[rate] = usual + memory * (mean[rate] - usual)
        cov[rate] *= memory
        cov[:, rate] *= memory
        cov[level, level] += self._level_cov
        cov[rate, rate] += self._rate_cov * (1.0 - memory * memory)
        mean[form], cov[form], cov[:, form] = 0.0, 0.0, 0.0
        cov[form, form] = self.model.form_sd**2

    def initialise(self, by_day: SessionsByDay, day: int) -> None:
        """Put in, in place, the prior of athletes and lifts whose first session is today.

        A lift's level starts at that session's with a variance of 1, all but unknown.
        """
        mean, cov = self.mean, self.cov
        begins = by_day.athlete_begins[day]
        if begins.any():
            prior = np.zeros(cov.shape[:2])
            prior[self.rate, self.rate] = self._rate_cov[:, :, 0]
            prior[self.curve, self.curve] = self._curve_cov[:, :, 0]
            prior[self.form, self.form] = self.model.form_sd**2
            cov[...] = np.where(begins, prior[:, :, None], cov)
            mean[...] = np.where(begins, 0.0, mean)
            mean[self.rate] = np.where(begins, by_day.usual_rate[day], mean[self.rate])
        for lift in np.flatnonzero(by_day.lift_begins[day].any(axis=1)):
            begins = by_day.lift_begins[day, lift]
            level_and_eve = (self.level.start + lift, self.eve.start + lift)
            for row in level_and_eve:
                mean[row] = np.where(begins, by_day.log_maximum[day, lift], mean[row])
                cov[row] = np.where(begins, 0.0, cov[row])
                cov[:, row] = np.where(begins, 0.0, cov[:, row])
            for row in level_and_eve:
                for column in level_and_eve:
                    cov[row, column] = np.where(begins, 1.0, cov[row, column])

    def measurement_updates(self, by_day: SessionsByDay, day: int) -> list[Update]:
        """Condition on the day's sessions, in place, one lift after the other."""
        trained = np.flatnonzero(np.isfinite(by_day.log_maximum[day]).any(axis=1))
        return [self.measurement_update(by_day, day, int(lift)) for lift in trained]

    def measurement_update(self, by_day: SessionsByDay, day: int, lift: int) -> Update:
        """Condition on the day's session of one lift, in place.

        With the predicted maximum's excess over the load, x = (e^level / load − 1) · e^−deviation, the session's
        maximum is expected at (1 + x) · load, whose slopes are those of h below. Where the innovation e is unlikely
        the noise is inflated by max((ν + e²/S) / (ν + 1), 1), one step of reweighting for an error of Student's t with
        ν degrees of freedom (Lange, Little and Taylor 1989, J Am Stat Assoc 84:881, from memory).
        """
        mean, cov = self.mean, self.cov
        level, curve = lift, self.curve.start + lift
        log_maximum = by_day.log_maximum[day, lift]
        observed = ~np.isnan(log_maximum)
        load_share, noise_variance = by_day.load_share[day, lift], by_day.noise_variance[day, lift]
        measured = np.where(observed, log_maximum, mean[level])
        excess = np.clip(np.exp(mean[level] - measured) / load_share - 1.0, 0.0, MOST_EXCESS) * np.exp(-mean[curve])
        exposure = excess / (1.0 + excess)
        level_slope = (excess + np.exp(-mean[curve])) / (1.0 + excess)
        log_expected = np.log((1.0 + excess) * load_share)  # over what was measured
        along = level_slope * cov[level] - exposure * cov[curve] + cov[self.form]  # covariances with what is measured
        predicted_variance = level_slope * along[level] - exposure * along[curve] + along[self.form]
        innovation = np.where(observed, -log_expected - mean[self.form], 0.0)
        freedom = self.model.degrees_of_freedom
        squared = innovation * innovation / (predicted_variance + noise_variance)
        inflation = np.maximum((freedom + squared) / (freedom + 1.0), 1.0)
        variance = np.where(observed, predicted_variance + noise_variance * inflation, 1.0)
        along *= observed
        gain = along / variance
        mean += gain * innovation
        scaled = along / np.sqrt(variance)
        np.multiply(scaled[:, None], scaled[None, :], out=self._product)
        cov -= self._product
        h = np.zeros_like(mean)
        h[level], h[curve], h[self.form] = level_slope * observed, -exposure * observed, observed
        return Update(innovation, variance, gain, h)

    def adjoint_time_update(self, by_day: SessionsByDay, day: int, adjoint: Floats, information: Floats) -> None:
        """Carry the smoother's adjoint mean and covariance back over `initialise` and `time_update`, in place."""
        level, rate, eve = self.level, self.rate, self.eve
        for lift in np.flatnonzero(by_day.lift_begins[day].any(axis=1)):
            begins = by_day.lift_begins[day, lift]
            for row in (level.start + lift, eve.start + lift):
                adjoint[row] = np.where(begins, 0.0, adjoint[row])
                information[row] = np.where(begins, 0.0, information[row])
                information[:, row] = np.where(begins, 0.0, information[:, row])
        cut_begins, memory = by_day.cut_begins[day], by_day.rate_memory[day]
        for part in (adjoint, information, information.transpose(1, 0, 2)):
            part[self.form] = 0.0
            part[rate] *= memory
            part[rate] += part[level]
            part[level] += np.where(cut_begins, part[eve], 0.0)
            part[eve] = np.where(cut_begins, 0.0, part[eve])


def _equicorrelated(lifts: int, sd: float, correlation: float) -> Floats:
    """Covariance of an athlete's lifts, (lifts, lifts, 1): one spread, one correlation between any two."""
    cov: Floats = sd**2 * (correlation + (1.0 - correlation) * np.eye(lifts))[:, :, None]
    return cov


def filtered(by_day: SessionsByDay, model: StrengthModel) -> Iterator[tuple[int, StrengthState]]:
    """Pass over the days, yielding the day and the state in its evening, which is moved on in place."""
    return ((day, state) for day, state, _ in _forward(by_day, model))


def smoothed(by_day: SessionsByDay, model: StrengthModel) -> Iterator[tuple[int, StrengthState]]:
    """Pass back over the days from the last, yielding the day and the state in its evening given all sessions."""
    evenings = [(state.mean.copy(), state.cov.copy(), updates) for _, state, updates in _forward(by_day, model)]
    days, lifts, athletes = by_day.log_maximum.shape
    state = StrengthState(lifts, athletes, model)
    adjoint, information = np.zeros_like(state.mean), np.zeros_like(state.cov)
    for day in range(days - 1, -1, -1):
        mean, cov, updates = evenings.pop()
        state.mean, state.cov = corrected(mean, cov, adjoint, information)
        yield day, state
        for update in reversed(updates):
            adjoint_update(adjoint, information, update)
        state.adjoint_time_update(by_day, day, adjoint, information)


def _forward(by_day: SessionsByDay, model: StrengthModel) -> Iterator[tuple[int, StrengthState, list[Update]]]:
    days, lifts, athletes = by_day.log_maximum.shape
    state = StrengthState(lifts, athletes, model)
    for day in range(days):
        state.time_update(by_day, day)
        state.initialise(by_day, day)
        yield day, state, state.measurement_updates(by_day, day)
