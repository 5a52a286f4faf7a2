"""Histories of lifts as estimates read them, made of single sessions."""

from collections.abc import Iterable
from datetime import date
from typing import Any

import numpy as np

from service.application.evidence.rows import LIFT_COLUMNS, LiftHistory


def lift_history(sessions: Iterable[Any]) -> LiftHistory:
    """Of sessions with the attributes of `session_lift`, oldest first."""
    rows = list(sessions)
    days = np.array([row.date for row in rows], "datetime64[D]")
    return LiftHistory(days, *(np.array([getattr(row, name) for row in rows], np.float64) for name in LIFT_COLUMNS))


def until(history: LiftHistory, to: date) -> LiftHistory:
    """Its sessions up to a day."""
    known = history.days <= np.datetime64(to)
    return LiftHistory(history.days[known], *(getattr(history, name)[known] for name in LIFT_COLUMNS))
