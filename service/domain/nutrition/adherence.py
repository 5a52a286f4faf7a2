"""What was eaten against what was to be eaten, by day and by week, with how much of it is known."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from service.domain.records import FoodState

ENERGY_NEAR = 0.1  # a day within this share of its target counts as kept; common practice, no source
PROTEIN_NEAR = 0.95  # of the target: labels round; common practice, no source
KNOWN = (FoodState.COMPLETE, FoodState.UNKNOWN, FoodState.FAST)


@dataclass(frozen=True)
class DayIntake:
    """A day's log and its targets; None where unknown or not set."""

    date: date
    state: FoodState
    energy_kcal: float | None
    protein_g: float | None
    energy_target_kcal: float | None
    protein_target_g: float | None

    @property
    def energy_pct(self) -> float | None:
        """Logged energy, percent of the target; of a partial day nothing is said."""
        if self.state not in KNOWN or self.energy_kcal is None or not self.energy_target_kcal:
            return None
        return 100.0 * self.energy_kcal / self.energy_target_kcal

    @property
    def energy_kept(self) -> bool | None:
        """Whether the day came near its target."""
        return None if self.energy_pct is None else abs(self.energy_pct - 100.0) <= 100.0 * ENERGY_NEAR

    @property
    def protein_kept(self) -> bool | None:
        """Whether the protein reached its target; a partial day that did, did."""
        if self.protein_g is None or not self.protein_target_g:
            return None
        enough = self.protein_g >= PROTEIN_NEAR * self.protein_target_g
        return enough if enough or self.state in KNOWN else None


@dataclass(frozen=True)
class WeekIntake:
    """An ISO week: means over the days that are known, and over how many of how many that is."""

    week: str
    days: int
    days_known: int
    days_complete: int
    days_missing: int
    energy_kcal: float | None
    energy_target_kcal: float | None
    energy_pct: float | None
    energy_kept_days: int
    protein_g: float | None
    protein_kept_days: int


def weeks_of(days: Sequence[DayIntake]) -> list[WeekIntake]:
    """The days by ISO week, in order; means of intake and target are over the same days."""
    by_week: dict[str, list[DayIntake]] = {}
    for day in days:
        year, number, _ = day.date.isocalendar()
        by_week.setdefault(f"{year}-W{number:02d}", []).append(day)
    return [_week(name, listed) for name, listed in by_week.items()]


def _week(name: str, days: Sequence[DayIntake]) -> WeekIntake:
    known = [day for day in days if day.state in KNOWN and day.energy_kcal is not None]
    both = [day for day in known if day.energy_target_kcal]
    eaten = mean([day.energy_kcal for day in both])
    target = mean([day.energy_target_kcal for day in both])
    return WeekIntake(
        week=name,
        days=len(days),
        days_known=len(known),
        days_complete=sum(day.state in (FoodState.COMPLETE, FoodState.FAST) for day in days),
        days_missing=sum(day.state == FoodState.NOT_LOGGED for day in days),
        energy_kcal=mean([day.energy_kcal for day in known]),
        energy_target_kcal=target,
        energy_pct=100.0 * eaten / target if eaten is not None and target else None,
        energy_kept_days=sum(day.energy_kept is True for day in days),
        protein_g=mean([day.protein_g for day in known if day.protein_g is not None]),
        protein_kept_days=sum(day.protein_kept is True for day in days),
    )


def mean(values: Sequence[float | None]) -> float | None:
    """Mean of the values that are known, None when none is."""
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None
