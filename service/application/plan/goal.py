"""What an athlete's goal would take as of today, from the log and the policy in force."""

import uuid
from collections import OrderedDict
from datetime import date

import orjson

from service.application.evidence.athlete_evidence import profile_of
from service.application.evidence.gather import evidence_on
from service.application.evidence.policies import in_force
from service.application.schedule import today_of
from service.domain.evidence import Evidence
from service.domain.rules.goal import GoalCheck, check_goal
from service.store.scope import Scope
from service.store.shared_writer import aside
from service.store.tables import Athlete

CHECKS_KEPT = 4096
_Key = tuple[uuid.UUID, int, date, bytes]
_checks: OrderedDict[_Key, GoalCheck | None] = OrderedDict()  # by all that they rest on, least lately asked first


async def goal_check(scope: Scope, athlete: Athlete) -> GoalCheck | None:
    """The check of an athlete's goal, None without one; as it was worked out before while nothing has changed.

    It rests on what reviews look at, whose every change moves `inputs_revision`, on the policy in force and the day.
    """
    if not athlete.goal:
        return None
    policy = (await in_force(scope, [athlete.id]))[athlete.id]
    key = athlete.id, athlete.inputs_revision, today_of(scope, athlete), orjson.dumps(policy.named)
    if key not in _checks:
        _checks[key] = await new_goal_check(scope, athlete)
    _checks.move_to_end(key)
    while len(_checks) > CHECKS_KEPT:
        _checks.popitem(last=False)
    return _checks[key]


async def new_goal_check(scope: Scope, athlete: Athlete) -> GoalCheck | None:
    """The same of an athlete's row as it is about to be, worked out off the event loop."""
    if not athlete.goal:
        return None
    evidence, policy = await evidence_on(scope, athlete, today_of(scope, athlete))
    return await aside(check_goal, evidence, policy)


async def first_goal_check(scope: Scope, athlete: Athlete) -> GoalCheck | None:
    """The same of an athlete of whom nothing was logged yet."""
    today = today_of(scope, athlete)
    policy = (await in_force(scope, [athlete.id]))[athlete.id].policy
    return check_goal(Evidence(today, profile_of(athlete, today)), policy)
