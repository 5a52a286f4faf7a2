"""What an athlete's goal would take as of today, from the log and the policy in force."""

import asyncio

from service.application.evidence.athlete_evidence import profile_of
from service.application.evidence.gather import evidence_on
from service.application.evidence.policies import in_force
from service.application.schedule import today_of
from service.domain.evidence import Evidence
from service.domain.rules.goal import GoalCheck, check_goal
from service.store.scope import Scope
from service.store.tables import Athlete


async def goal_check(scope: Scope, athlete: Athlete) -> GoalCheck | None:
    """The check of an athlete's goal, worked out off the event loop; None without a goal."""
    if not athlete.goal:
        return None
    evidence, policy = await evidence_on(scope, athlete, today_of(scope, athlete))
    return await asyncio.to_thread(check_goal, evidence, policy)


async def first_goal_check(scope: Scope, athlete: Athlete) -> GoalCheck | None:
    """The same of an athlete of whom nothing was logged yet."""
    today = today_of(scope, athlete)
    policy = (await in_force(scope, [athlete.id]))[athlete.id].policy
    return check_goal(Evidence(today, profile_of(athlete, today)), policy)
