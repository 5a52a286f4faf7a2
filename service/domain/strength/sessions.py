"""What a batch of athletes lifted on which day, in which phase: the sessions that strength is estimated from."""

from dataclasses import dataclass

import numpy as np

from service.domain.records import Bools, Floats, Ints


@dataclass(frozen=True)
class LiftSessions:
    """Sessions of a batch on one calendar grid; a lift that was never trained may stand as a row of NaN.

    Attributes
    ----------
    one_rep_max_kg : array (athletes, lifts, days)
        What the day's session says of the maximum, kg (system mass for body-weight lifts), NaN without a session.
    log_sd : array (athletes, lifts, days)
        Its standard error in log units without day form (see `sets.SessionLift`), NaN likewise.
    curve_exposure : array (athletes, lifts, days)
        1 − load / maximum: how much of it rests on the repetition curve, NaN likewise.
    phase : array (athletes, days)
        PhaseKind.
    phase_day : array (athletes, days)
        1 on the first day of each phase, 0 outside phases.
    main : array (athletes, lifts, days), optional
        Which lifts stand for the athlete's strength on a day: they are the ones that are pooled. All by default.
    loss_pct : array (athletes,), optional
        The drop since the eve of a cut that counts as lost, per cent; the model's by default.

    Raises
    ------
    ValueError
        When shapes differ.
    """

    one_rep_max_kg: Floats
    log_sd: Floats
    curve_exposure: Floats
    phase: Ints
    phase_day: Ints
    main: Bools | None = None
    loss_pct: Floats | None = None

    def __post_init__(self) -> None:
        shape = self.one_rep_max_kg.shape
        if len(shape) != 3 or any(part.shape != shape for part in (self.log_sd, self.curve_exposure)):
            raise ValueError("sessions must have one shape (athletes, lifts, days)")
        athletes, _, days = shape
        if self.phase.shape != (athletes, days) or self.phase_day.shape != (athletes, days):
            raise ValueError("phases must have the shape (athletes, days)")
        if self.main is not None and self.main.shape != shape:
            raise ValueError("main must have the shape (athletes, lifts, days)")
        if self.loss_pct is not None and self.loss_pct.shape != (athletes,):
            raise ValueError("loss_pct must have the shape (athletes,)")

    def of(self, athletes: Ints | slice) -> "LiftSessions":
        """The sessions of some athletes, in the order given; an athlete may be named more than once."""
        return LiftSessions(
            self.one_rep_max_kg[athletes],
            self.log_sd[athletes],
            self.curve_exposure[athletes],
            self.phase[athletes],
            self.phase_day[athletes],
            None if self.main is None else self.main[athletes],
            None if self.loss_pct is None else self.loss_pct[athletes],
        )

    def only(self, lifts: Bools) -> "LiftSessions":
        """The same as if the other lifts had never been trained; `lifts` has the shape (athletes, lifts)."""
        trained = lifts[:, :, None]
        return LiftSessions(
            np.where(trained, self.one_rep_max_kg, np.nan),
            np.where(trained, self.log_sd, np.nan),
            np.where(trained, self.curve_exposure, np.nan),
            self.phase,
            self.phase_day,
            self.main,
            self.loss_pct,
        )

    def alone(self, athletes: Ints, lifts: Ints) -> "LiftSessions":
        """Single lifts, each as an athlete's only one: in row i stands `lifts[i]` of `athletes[i]`, (rows, 1, days)."""
        return LiftSessions(
            self.one_rep_max_kg[athletes, lifts][:, None],
            self.log_sd[athletes, lifts][:, None],
            self.curve_exposure[athletes, lifts][:, None],
            self.phase[athletes],
            self.phase_day[athletes],
            loss_pct=None if self.loss_pct is None else self.loss_pct[athletes],
        )
