"""Which thresholds are in force: the service's own, changed by the practice, changed again for one athlete.

A version is checked when it is made, also against the newest versions of the athletes. Stored versions are only read:
what of one is no longer allowed (a version of an earlier release, or two made at the same moment) is left out, said in
the log and by `left_out`, and the rest holds. Another athlete's work never fails for it.
"""

import logging
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, NotRequired, TypedDict, cast

from service.domain.policy import DEFAULT, Fault, Policy, validate
from service.store.scope import Scope, table_of
from service.store.tables import Athlete, PolicyVersion

DEFAULT_ID = "default"
PRACTICE = "practice"
_TABLE, _ATHLETE = table_of(PolicyVersion), table_of(Athlete)
_log = logging.getLogger(__name__)


class Named(TypedDict):
    """What names a policy: id and number of its version, and for an athlete's those of the practice's below."""

    id: str
    version: int
    base: NotRequired["Named"]


class OwnVersion(NamedTuple):
    """A version of an athlete's own thresholds, with the athlete's name."""

    about: str
    changes: Mapping[str, object]
    external_id: str


@dataclass(frozen=True)
class InForce:
    """A policy with the id and number of the version that completes it, and for an athlete's those of what it is on."""

    policy: Policy = DEFAULT
    id: str = DEFAULT_ID
    version: int = 1
    base: Named | None = None
    left_out: tuple[str, ...] = ()

    @property
    def named(self) -> Named:
        """What makes the same thresholds again: id and version, and for an athlete's those of the practice's below."""
        own = Named(id=self.id, version=self.version)
        if self.base is not None:
            own["base"] = self.base
        return own


async def in_force(scope: Scope, athletes: Sequence[uuid.UUID]) -> dict[uuid.UUID, InForce]:
    """The policy of each athlete: the newest version of the practice, with the newest of the athlete on top."""
    wanted = [PRACTICE, *map(str, athletes)]
    versions = scope.select(PolicyVersion).where(_TABLE.c.about.in_(wanted)).order_by(_TABLE.c.version)
    newest = {version.about: version for version in await scope.all(PolicyVersion, versions)}
    base = of_practice(newest.get(PRACTICE))
    return {athlete: on_top(base, newest.get(str(athlete))) for athlete in athletes}


async def find(scope: Scope, policy_id: str) -> PolicyVersion | None:
    """The version with this id, or None."""
    try:
        wanted = uuid.UUID(policy_id)
    except ValueError:
        return None
    return await scope.one(PolicyVersion, scope.select(PolicyVersion).where(_TABLE.c.id == wanted))


async def by_id(scope: Scope, policy_id: str) -> InForce | None:
    """The policy that a version's id names (an athlete's on top of the practice's newest), or None."""
    if policy_id == DEFAULT_ID:
        return InForce()
    version = await find(scope, policy_id)
    if version is None:
        return None
    return of_practice(version) if version.about == PRACTICE else on_top(await practice_policy(scope), version)


async def practice_policy(scope: Scope) -> InForce:
    """The practice's newest policy."""
    versions = scope.select(PolicyVersion).where(_TABLE.c.about == PRACTICE)
    return of_practice(await scope.one(PolicyVersion, versions.order_by(_TABLE.c.version.desc()).limit(1)))


def of_practice(version: PolicyVersion | None) -> InForce:
    """A version of the practice's as a policy; the service's own when it is None."""
    return InForce() if version is None else _with(DEFAULT, version, None)


def on_top(base: InForce, version: PolicyVersion | None) -> InForce:
    """An athlete's version on a policy of the practice's; that policy when it is None."""
    return base if version is None else _with(base.policy, version, base.named)


def _with(below: Policy, version: PolicyVersion, base: Named | None) -> InForce:
    policy, faults = below.overlaid(version.changes)
    if faults:
        why = " ".join(fault.detail for fault in faults)
        _log.warning("policy %s (version %s of %s) holds in part: %s", version.id, version.version, version.about, why)
    return InForce(policy, str(version.id), version.version, base, tuple(fault.name for fault in faults))


async def clashes(scope: Scope, policy: Policy) -> list[tuple[str, Fault]]:
    """Thresholds of athletes that would be out of order with a new policy of the practice, with the athlete's name."""
    statement = (
        scope.select(_TABLE.c.about, _TABLE.c.changes, _ATHLETE.c.external_id, of=[PolicyVersion, Athlete])
        .where(_TABLE.c.about != PRACTICE, _ATHLETE.c.id == _TABLE.c.athlete_id)
        .order_by(_TABLE.c.version)
    )
    newest = {version.about: version for version in cast(Sequence[OwnVersion], await scope.rows(statement))}
    return [
        (version.external_id, fault)
        for version in sorted(newest.values(), key=lambda version: version.external_id)
        for fault in validate(version.changes, policy)
        if fault.code == "order"
    ]
