"""Which thresholds are in force: the service's own, changed by the practice, changed again for one athlete."""

import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from service.domain.policy import DEFAULT, Policy
from service.store.scope import Scope, table_of
from service.store.tables import PolicyVersion

DEFAULT_ID = "default"
PRACTICE = "practice"
_TABLE = table_of(PolicyVersion)


@dataclass(frozen=True)
class InForce:
    """A policy with the id and number of the version that completes it."""

    policy: Policy = DEFAULT
    id: str = DEFAULT_ID
    version: int = 1


async def in_force(scope: Scope, athletes: Sequence[uuid.UUID]) -> dict[uuid.UUID, InForce]:
    """The policy of each athlete: the newest version of the practice, with the newest of the athlete on top."""
    wanted = [PRACTICE, *map(str, athletes)]
    rows = await scope.rows(scope.select(PolicyVersion).where(_TABLE.c.about.in_(wanted)).order_by(_TABLE.c.version))
    newest = {row.about: row for row in rows}
    base = _with(InForce(), newest.get(PRACTICE))
    return {athlete: _with(base, newest.get(str(athlete))) for athlete in athletes}


async def by_id(scope: Scope, policy_id: str) -> InForce | None:
    """The policy that a version's id names (an athlete's on top of the practice's newest), or None."""
    if policy_id == DEFAULT_ID:
        return InForce()
    try:
        wanted = uuid.UUID(policy_id)
    except ValueError:
        return None
    row = await scope.first(scope.select(PolicyVersion).where(_TABLE.c.id == wanted))
    if row is None:
        return None
    return _with(InForce() if row.about == PRACTICE else await practice_policy(scope), row)


async def practice_policy(scope: Scope) -> InForce:
    """The practice's newest policy."""
    row = await scope.first(
        scope.select(PolicyVersion).where(_TABLE.c.about == PRACTICE).order_by(_TABLE.c.version.desc()).limit(1)
    )
    return _with(InForce(), row)


def _with(base: InForce, row: Any) -> InForce:
    if row is None:
        return base
    changes: Mapping[str, object] = row.changes
    return InForce(base.policy.changed(changes), str(row.id), row.version)
