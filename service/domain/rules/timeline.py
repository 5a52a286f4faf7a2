"""Phases and targets of one athlete on a line of days: which are in force from a day on, and what a change alters.

A phase holds until the next one starts, past its planned end too; energy holds until the next phase or targets, targets
last on an equal date. What something later has replaced before today is history.
"""

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date

from service.domain.evidence import Kind
from service.domain.rules.amendments import Change


@dataclass(frozen=True)
class Planned:
    """A phase, or targets (without a kind), from a day on; `key` tells which row it is, None for a new one."""

    key: Hashable
    on: date
    energy_kcal: float | None
    kind: Kind | None = None
    planned_end_on: date | None = None
    window: bool = False  # targets with an eating window


@dataclass(frozen=True)
class Span:
    """Days with one phase and one energy, from `on` to the next span."""

    on: date
    phase: Planned | None
    energy: Planned | None


def spans_from(plan: Iterable[Planned], today: date) -> tuple[Span, ...]:
    """What is in force today and what follows it, oldest first; the first span begins today."""
    steps = sorted(plan, key=lambda step: (step.on, step.kind is None))
    starts = [today, *sorted({step.on for step in steps if step.on > today})]
    return tuple(
        Span(
            on,
            next((step for step in reversed(steps) if step.on <= on and step.kind is not None), None),
            next((step for step in reversed(steps) if step.on <= on), None),
        )
        for on in starts
    )


def with_step(plan: Sequence[Planned], step: Planned) -> list[Planned]:
    """The plan with one step put in: in place of itself, or of the one of the same sort and day."""
    place = (step.on, step.kind is None)
    twin = next((other for other in plan if (other.on, other.kind is None) == place), None)
    placed = step if step.key is not None else replace(step, key=twin.key if twin else place)
    return [*(other for other in plan if other is not twin and other.key != placed.key), placed]


def changes(before: Sequence[Planned], after: Sequence[Planned], today: date) -> tuple[Change, ...]:
    """What is other than before, today or later: a change for each span of days that differs.

    An earlier planned end and a dropped eating window change nothing that has to be asked about.
    """
    spans = spans_from(before, today)
    present = spans[0].phase
    altered = []
    for span in spans_from(after, today):
        old = [earlier for earlier in spans if earlier.on <= span.on][-1]
        if _harmless(old, span):
            continue
        stays = _same_phase(present, span.phase) or span.phase is None
        altered.append(
            Change(
                energy_kcal=span.energy.energy_kcal if span.energy else None,
                phase=None if stays or span.phase is None else span.phase.kind,
                starts_on=span.phase.on if span.phase else None,
                planned_end_on=span.phase.planned_end_on if span.phase else None,
                window=bool(span.energy and span.energy.window),
            )
        )
    return tuple(dict.fromkeys(altered))


def _same_phase(left: Planned | None, right: Planned | None) -> bool:
    return left is not None and right is not None and (left.key, left.kind) == (right.key, right.kind)


def _harmless(old: Span, new: Span) -> bool:
    same_phase = old.phase is new.phase or (
        _same_phase(old.phase, new.phase)
        and old.phase is not None
        and new.phase is not None
        and old.phase.on == new.phase.on
        and (new.phase.planned_end_on or date.max) <= (old.phase.planned_end_on or date.max)
    )
    energies = [span.energy.energy_kcal if span.energy else None for span in (old, new)]
    set_before = (
        old.energy is not None and old.energy.window and new.energy is not None and old.energy.key == new.energy.key
    )
    window_is_new = new.energy is not None and new.energy.window and not set_before
    return same_phase and energies[0] == energies[1] and not window_is_new
