"""The smoother of `estimation`: back over all days, so that each is estimated from the whole log.

Bryson and Frazier's adjoint (see `kalman`). Where a new scale was adopted, the days on which it was only an alternative
hypothesis are those of the hypothesis that was adopted.
"""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from service.domain import kalman
from service.domain.estimation import body_fat
from service.domain.estimation.cycle import FirstStart
from service.domain.estimation.day import Day
from service.domain.estimation.filter import Filter, FilteredDay
from service.domain.estimation.food_known import NewExcess
from service.domain.estimation.model import STATES
from service.domain.estimation.state import Posterior
from service.domain.estimation.time_update import Transition, propagate_adjoint
from service.domain.kalman import Moments
from service.domain.records import Bools, Floats, Ints, mapped


@dataclass(frozen=True)
class Hypothesis:
    """One hypothesis on one day, of some or all athletes: what was known, how it came and how it went on."""

    moments: Moments  # that morning, given all of the day's data
    updates: tuple[kalman.Update, ...]  # target, weigh-in and presumption
    transition: Transition  # to the next morning


@dataclass(frozen=True)
class TracedDay:
    """What the smoother needs of a day; the athletes are the last axis, covariances are whole."""

    posterior: Posterior
    main: Hypothesis
    alternative: Hypothesis | None  # of the athletes `rows`
    rows: Ints
    begun: Bools  # (athletes,), whose alternative hypothesis began today
    fat_update: kalman.Update
    fat_ratio: Floats | None  # by which the weigh-in rescaled fat mass
    new_excess: NewExcess | None  # whose excess starts anew at its end
    first_start: FirstStart | None  # of menstruation, in its morning


def trace(running: Filter, days: Iterable[Day]) -> list[TracedDay]:
    """Run a filter that is traced over the days, and keep what the smoother needs of them."""
    traced = []
    for day in days:
        filtered = running.measurement_update(day)
        traced.append(_traced(running, filtered))
        running.time_update(filtered)
    return traced


def _traced(running: Filter, filtered: FilteredDay) -> TracedDay:
    posterior = mapped(np.copy, filtered.posterior)
    posterior = replace(posterior, moments=posterior.moments.mirrored(), body_fat=posterior.body_fat.mirrored())
    begun, alternative = np.zeros(running.count, np.bool_), None
    if filtered.alternative is not None:
        begun[filtered.alternative.rows] = filtered.alternative.begun
        transition, _ = running.alternative_night(filtered)
        alternative = Hypothesis(running.alternatives.moments.mirrored(), filtered.alternative_updates, transition)
    fat_update = kalman.no_update(2, running.count)
    if filtered.fat_update is not None:
        rows, update = filtered.fat_update
        fat_update = kalman.spread_out(update, rows, running.count)
    return TracedDay(
        posterior=posterior,
        main=Hypothesis(posterior.moments, filtered.updates, filtered.transition),
        alternative=alternative,
        rows=running.alternatives.rows,
        begun=begun,
        fat_update=fat_update,
        fat_ratio=filtered.fat_ratio,
        new_excess=filtered.new_excess,
        first_start=filtered.first_start,
    )


def smooth(days: list[TracedDay], whole: Callable[[int], bool]) -> Iterator[tuple[int, Posterior]]:
    """The days from the last to the first, each with what the whole log says about it.

    Moments are x − Pλ and P − PΛP; of days for which `whole` is false only the mean is worked out.
    """
    if not days:
        return
    count = days[0].begun.shape[0]
    adjoint, information = np.zeros((STATES, count)), np.zeros((STATES, STATES, count))
    fat_adjoint, fat_information = np.zeros((2, count)), np.zeros((2, 2, count))
    was_alternative = np.zeros(count, np.bool_)  # is the hypothesis that survives the alternative one on this day?
    for t in range(len(days) - 1, -1, -1):
        day = days[t]
        survivor = _survivor(day, was_alternative)
        if t < len(days) - 1:
            propagate_adjoint(adjoint, information, survivor.transition)
        posterior = replace(day.posterior, base_kg_per_kcal=survivor.transition.base_kg_per_kcal)
        mean, cov = survivor.moments.mean, survivor.moments.cov
        if whole(t):
            fat = day.posterior.body_fat
            yield (
                t,
                replace(
                    posterior,
                    moments=Moments(*kalman.corrected(mean, cov, adjoint, information)),
                    body_fat=Moments(*kalman.corrected(fat.mean, fat.cov, fat_adjoint, fat_information)),
                ),
            )
        else:
            yield t, replace(posterior, moments=Moments(kalman.corrected_mean(mean, cov, adjoint), cov))
        kalman.adjoint_update(fat_adjoint, fat_information, day.fat_update)
        if day.fat_ratio is not None:
            body_fat.rescale_adjoint(fat_adjoint, fat_information, day.fat_ratio)
        if day.new_excess is not None:
            day.new_excess.carry_back(adjoint, information)
        for update in reversed(survivor.updates):
            kalman.adjoint_update(adjoint, information, update)
        if day.first_start is not None:
            day.first_start.carry_back(adjoint, information)
        was_alternative = (was_alternative ^ day.posterior.scale_adopted) & ~day.begun


def _survivor(day: TracedDay, was_alternative: Bools) -> Hypothesis:
    """The hypothesis of a day that survived: the main one, or the alternative one of some athletes (athletes,)."""
    if day.alternative is None or not was_alternative[day.rows].any():
        return day.main
    here = np.flatnonzero(was_alternative[day.rows])
    rows = day.rows[here]

    def mixed(main: Floats, alternative: Floats) -> Floats:
        values = main.copy()
        values[..., rows] = alternative[..., here]
        return values

    pairs = zip(day.main.updates, day.alternative.updates, strict=True)
    return Hypothesis(
        mapped(mixed, day.main.moments, day.alternative.moments),
        tuple(mapped(mixed, *pair) for pair in pairs),
        mapped(mixed, day.main.transition, day.alternative.transition),
    )
