"""Estimates by date: what the weekly answer rests on."""

from datetime import date, timedelta
from typing import Annotated, Literal

import numpy as np
from fastapi import APIRouter, Depends, Query
from pydantic import Field

from service.api.athletes import AthletePath
from service.api.http.fields import Answer, Date
from service.api.http.problems import documented
from service.api.http.transaction import CommittedRoute, Here
from service.application.evidence.gather import LogEstimates, estimates_for
from service.application.schedule import today_of
from service.auth import requires
from service.domain.evidence import Outlook
from service.domain.records import Estimate, Floats
from service.errors import Invalid, NotFound

router = APIRouter(tags=["estimates"], route_class=CommittedRoute)
LONGEST_DAYS = 3660
Column = list[float | None]


class Band(Answer):
    """A quantity by date; `lo` and `hi` bound 90 %; null before the first entry."""

    mean: Column
    lo: Column
    hi: Column


class Probabilities(Answer):
    """Probabilities by date."""

    loss_too_fast: Column
    not_in_deficit: Column


class LiftBand(Answer):
    """One lift by date; `probability_lost` is null outside cuts."""

    one_rep_max_kg: Band
    probability_lost: Column
    probability_rising: Column


class WouldNarrow(Answer):
    """What more data would do for maintenance within so many days; each standard deviation as the filter expects it."""

    ask_for: str | None = Field(
        examples=["weigh_ins", "food_days", "both"],
        description="more of what would narrow it most, or only of `both` together; null: neither by much",
    )
    days: int
    maintenance_sd_kcal: dict[str, float] = Field(
        examples=[{"as_so_far": 118.0, "weighing_daily": 112.5, "logging_daily": 81.0, "both_daily": 79.5}],
        description="weighing and logging `as_so_far`, with a weigh-in every day, every food day complete, or both",
    )


class RestsOn(Answer):
    """What the estimate of the last day rests on."""

    days_used: float | None = Field(description="weigh-ins in it so far")
    days_imputed: float | None = Field(description="days so far whose food was not, or not wholly, logged")
    prior_share: float | None = Field(description="share of the starting variance of maintenance that is left")
    would_narrow_most: WouldNarrow | None = Field(description="null before the first weigh-in")


class EstimatesAnswer(Answer):
    """Estimates in columns by date."""

    basis: str
    dates: list[date]
    average_mass_kg: Band
    rate_pct_per_week: Band
    tissue_rate_pct_per_week: Band
    maintenance_kcal: Band
    energy_requirement_kcal: Band
    body_fat_pct: Band
    probability: Probabilities
    strength: dict[str, LiftBand]
    rests_on: RestsOn


@router.get(
    "/athletes/{athlete_id}/estimates",
    dependencies=[Depends(requires("coaching:read"))],
    responses=documented(NotFound),
)
async def get_estimates(
    athlete: AthletePath,
    scope: Here,
    from_: Annotated[Date | None, Query(alias="from", description="first local date; 28 days before `to`")] = None,
    to: Annotated[Date | None, Query(description="last local date; today where the athlete lives")] = None,
    basis: Annotated[
        Literal["as_known", "revised"],
        Query(description="`as_known`: each day uses what is dated up to it; `revised`: all that is dated up to `to`"),
    ] = "as_known",
) -> EstimatesAnswer:
    """Average mass, rates, maintenance, body fat and strength with their intervals."""
    today = today_of(scope, athlete)
    to = to or today
    if to > today + timedelta(days=1):
        raise Invalid.field("to", "in_the_future", f"{to} is in the future")
    from_ = from_ or to - timedelta(days=27)
    days = (to - from_).days + 1
    if days < 1:
        raise Invalid.field("from", "after_to", "`from` lies after `to`")
    if days > LONGEST_DAYS:
        raise Invalid.field("from", "too_long", f"at most {LONGEST_DAYS} days at once")
    return _answer(basis, from_, days, await estimates_for(scope, athlete, to, revised=basis == "revised"))


def _answer(basis: str, first: date, days: int, estimated: LogEstimates) -> EstimatesAnswer:
    start = estimated.roster.day(first)

    def column(values: Floats, digits: int) -> Column:
        logged = values[max(start, 0) :]
        padded = np.concatenate([np.full(days - len(logged), np.nan), logged]) if len(logged) < days else logged[-days:]
        return [None if np.isnan(value) else round(value, digits) for value in padded.tolist()]

    def band(quantity: Estimate, digits: int, *row: int) -> Band:
        return Band(**{name: column(getattr(quantity, name)[row], digits) for name in ("mean", "lo", "hi")})

    body, lifts = estimated.estimates.body, estimated.estimates.strength.lifts
    return EstimatesAnswer(
        basis=basis,
        dates=[first + timedelta(days=offset) for offset in range(days)],
        average_mass_kg=band(body.average_mass_kg, 3, 0),
        rate_pct_per_week=band(body.rate_pct_per_week, 3, 0),
        tissue_rate_pct_per_week=band(body.tissue_rate_pct_per_week, 3, 0),
        maintenance_kcal=band(body.maintenance_kcal, 1, 0),
        energy_requirement_kcal=band(body.energy_requirement_kcal, 1, 0),
        body_fat_pct=band(body.body_fat_pct, 2, 0),
        probability=Probabilities(
            loss_too_fast=column(body.p_loss_too_fast[0], 4), not_in_deficit=column(body.p_not_in_deficit[0], 4)
        ),
        strength={
            name: LiftBand(
                one_rep_max_kg=band(lifts.one_rep_max_kg, 2, 0, position),
                probability_lost=column(lifts.probability_lost[0, position], 4),
                probability_rising=column(lifts.probability_rising[0, position], 4),
            )
            for position, name in enumerate(estimated.estimates.lift_names[0])
            if name
        },
        rests_on=RestsOn(
            days_used=_number(body.days_used[0, -1], 0),
            days_imputed=_number(body.days_imputed[0, -1], 1),
            prior_share=_number(body.prior_share[0, -1], 4),
            would_narrow_most=estimated.outlook and _would_narrow(estimated.outlook),
        ),
    )


def _number(value: float, digits: int) -> float | None:
    return round(float(value), digits) if np.isfinite(value) else None


def _would_narrow(ahead: Outlook) -> WouldNarrow:
    spreads = {
        "as_so_far": ahead.as_so_far_kcal,
        "weighing_daily": ahead.weighing_daily_kcal,
        "logging_daily": ahead.logging_daily_kcal,
        "both_daily": ahead.both_daily_kcal,
    }
    return WouldNarrow(ask_for=ahead.would_narrow_most, days=ahead.days, maintenance_sd_kcal=spreads)
