"""What is remembered of each of the last fourteen days."""

import numpy as np

from service.domain import kalman
from service.domain.records import Floats, Ints

WEEK = 7
FORTNIGHT = 14

# Intake and its part that nobody logged, kcal; variance of intake, kcal²; the water's driver and its variance.
INTAKE, UNLOGGED, INTAKE_VARIANCE, WATER_DRIVER, WATER_VARIANCE = KINDS = range(5)


class Recent:
    """The last 14 days in a buffer with room: on most days nothing has to move.

    A window that was handed out stays as it is, for `FilterState.recent` and for outputs worked out later.
    """

    ROOM = 42

    def __init__(self, window: Floats) -> None:
        self._renew(window)

    def _renew(self, window: Floats) -> None:
        self._buffer = np.empty((FORTNIGHT + self.ROOM, *window.shape[1:]))
        self._buffer[:FORTNIGHT] = window
        self._end = FORTNIGHT

    def append(self, *values: Floats) -> None:
        """Add a day: values of `KINDS`, each (athletes,)."""
        if self._end == self._buffer.shape[0]:
            self._renew(self.window)
        for kind, value in enumerate(values):
            self._buffer[self._end, kind] = value
        self._end += 1

    def rescale(self, rows: Ints, scale: Floats) -> None:
        """Tell the food of the athletes `rows` on another scale, in a buffer of its own."""
        self._renew(self.window)
        for kind in (INTAKE, UNLOGGED):
            self._buffer[:FORTNIGHT, kind, rows] *= scale

    @property
    def window(self) -> Floats:
        """(14, 5, athletes), oldest first."""
        return self._buffer[self._end - FORTNIGHT : self._end]


def mean_of_week(days: Floats) -> Floats:
    """Mean over the first axis, of seven days."""
    return kalman.fold(days.copy()) * (1.0 / WEEK)
