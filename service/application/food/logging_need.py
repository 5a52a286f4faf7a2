"""How much food logging an athlete still needs, from the log."""

from datetime import date

from service.application.evidence.gather import evidence_for
from service.domain.nutrition.logging_need import LoggingNeed, day_spread_kcal, logging_need
from service.store.scope import Scope
from service.store.tables import Athlete

SPREAD_DAYS = 28


async def logging_need_on(scope: Scope, athlete: Athlete, day: date) -> LoggingNeed:
    """How many complete food days a week are needed from a local date on; days differ as in the present phase."""
    (batch,) = await evidence_for(scope, [athlete], [day])
    evidence, log = batch.evidence[athlete.id, day], batch.roster.log
    lately = min(SPREAD_DAYS, evidence.phase.day if evidence.phase else SPREAD_DAYS)
    spread_kcal = day_spread_kcal(log.intake_kcal[0, -lately:], log.food_state[0, -lately:])
    return logging_need(evidence, batch.policies[athlete.id].policy, spread_kcal)
