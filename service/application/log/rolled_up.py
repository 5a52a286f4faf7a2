"""What the roll-ups of one kind of entry come to, before anything of it is written."""

from collections.abc import Callable, Coroutine, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, NamedTuple

from service.application.log.changes import Changes
from service.application.log.days import DayKey, Days, DayValues
from service.store.scope import Scope
from service.store.types import DeclaredFoodDay


@dataclass(frozen=True)
class Lifts:
    """Roll-up rows of training sessions, and the days of which they are all that there is."""

    days: Days
    rows: Sequence[tuple[Any, ...]]  # as `session_lifts.LIFT_COLUMNS`


@dataclass(frozen=True)
class RolledUp:
    """What entries come to: what changes on themselves, columns of their days, and days that are in another light."""

    changes: Changes
    days: Mapping[DayKey, DayValues]
    lifts: Lifts | None = None
    stale: Days = field(default_factory=set)  # days before the touched ones


class New(NamedTuple):
    """What is not stored yet: rows of what is looked at of entries, and what is said of whole days."""

    rows: Sequence[Any] = ()
    declared: Mapping[DayKey, DeclaredFoodDay] = MappingProxyType({})
    added: bool = False  # all is stored already, and nothing else of the days is new than entries


@dataclass(frozen=True)
class RollUp:
    """How entries of a kind are rolled up, from the touched days to what they come to.

    `looked_at` is what is looked at of each entry, a NamedTuple by the names of columns; `read` reads what is stored
    and is to be judged with what is new; `settle` works out what all of it comes to, without a database.
    """

    looked_at: Any
    read: Callable[[Scope, Days, New], Coroutine[Any, Any, Any]]
    settle: Callable[[Any, Days, New], RolledUp]
