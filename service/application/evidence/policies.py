"""Which thresholds are in force: the service's own, changed by the practice, changed again for one athlete.

A version is checked when it is made, also against the newest versions of the athletes. Stored versions are only read:
what of one is no longer allowed (a version of an earlier release, or two made at the same moment) is left out, said in
the log and by `left_out`, and the rest holds. Another athlete's work never fails for it.
"""

import logging
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.domain.policy import DEFAULT, Fault, Policy, validate
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, PolicyVersion

DEFAULT_ID = "default"
PRACTICE = "practice"
_TABLE, _ATHLETE = table_of(PolicyVersion), table_of(Athlete)
_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class InForce:
    """A policy with the id and number of the version that completes it, and for an athlete's those of what it is on."""

    policy: Policy = DEFAULT
    id: str = DEFAULT_ID
    version: int = 1
    base: dict[str, Any] | None = None
    left_out: tuple[str, ...] = ()

    @property
    def named(self) -> dict[str, Any]:
        """What makes the same thresholds again: id and version, and for an athlete's those of the practice's below."""
        own = {"id": self.id, "version": self.version}
        return own if self.base is None else {**own, "base": self.base}


async def in_force(scope: Scope, athletes: Sequence[uuid.UUID]) -> dict[uuid.UUID, InForce]:
    """The policy of each athlete: the newest version of the practice, with the newest of the athlete on top."""
    wanted = [PRACTICE, *map(str, athletes)]
    rows = await scope.rows(scope.select(PolicyVersion).where(_TABLE.c.about.in_(wanted)).order_by(_TABLE.c.version))
    newest = {row.about: row for row in rows}
    base = of_practice(newest.get(PRACTICE))
    return {athlete: on_top(base, newest.get(str(athlete))) for athlete in athletes}


async def find(scope: Scope, policy_id: str) -> Any:
    """The version with this id, or None."""
    try:
        wanted = uuid.UUID(policy_id)
    except ValueError:
        return None
    return await scope.first(scope.select(PolicyVersion).where(_TABLE.c.id == wanted))


async def by_id(scope: Scope, policy_id: str) -> InForce | None:
    """The policy that a version's id names (an athlete's on top of the practice's newest), or None."""
    if policy_id == DEFAULT_ID:
        return InForce()
    row = await find(scope, policy_id)
    if row is None:
        return None
    return of_practice(row) if row.about == PRACTICE else on_top(await practice_policy(scope), row)


async def practice_policy(scope: Scope) -> InForce:
    """The practice's newest policy."""
    row = await scope.first(
        scope.select(PolicyVersion).where(_TABLE.c.about == PRACTICE).order_by(_TABLE.c.version.desc()).limit(1)
    )
    return of_practice(row)


def of_practice(row: Any) -> InForce:
    """A version of the practice's as a policy; the service's own when it is None."""
    return InForce() if row is None else _with(DEFAULT, row, None)


def on_top(base: InForce, row: Any) -> InForce:
    """An athlete's version on a policy of the practice's; that policy when it is None."""
    return base if row is None else _with(base.policy, row, base.named)


def _with(below: Policy, row: Any, base: dict[str, Any] | None) -> InForce:
    changes: Mapping[str, object] = row.changes
    policy, faults = below.overlaid(changes)
    if faults:
        found = " ".join(fault.detail for fault in faults)
        _log.warning("policy %s (version %s of %s) holds in part: %s", row.id, row.version, row.about, found)
    return InForce(policy, str(row.id), row.version, base, tuple(fault.name for fault in faults))


async def clashes(scope: Scope, policy: Policy) -> list[tuple[str, Fault]]:
    """Thresholds of athletes that would be out of order with a new policy of the practice, with the athlete's name."""
    statement = (
        scope.select(PolicyVersion, _ATHLETE.c.external_id, of=[Athlete])
        .where(_TABLE.c.about != PRACTICE, _ATHLETE.c.id == _TABLE.c.athlete_id)
        .order_by(_TABLE.c.version)
    )
    newest = {row.about: row for row in await scope.rows(statement)}
    return [
        (row.external_id, fault)
        for row in sorted(newest.values(), key=lambda row: row.external_id)
        for fault in validate(row.changes, policy)
        if fault.code == "order"
    ]
