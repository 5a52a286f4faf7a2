"""What one athlete's review is made of."""

from dataclasses import dataclass

from service.application.evidence.estimates import RosterEstimates
from service.application.evidence.notes import Notes
from service.application.evidence.policies import InForce
from service.application.evidence.review_documents import ReviewDocument
from service.application.evidence.roster import Roster
from service.domain.evidence import Evidence
from service.domain.records import Estimate
from service.domain.rules.arbiter import Decision
from service.store.tables import Athlete


@dataclass(frozen=True)
class Case:
    """One athlete on the last day of a roster: what is known, what was decided, what it is held against."""

    roster: Roster
    estimates: RosterEstimates
    index: int  # the athlete's, in both
    notes: Notes
    evidence: Evidence
    policy: InForce
    decision: Decision
    next_mass_kg: Estimate  # of the roster, in a week
    compared: ReviewDocument | None  # the review that this one replaces, else the latest one before it

    @property
    def athlete(self) -> Athlete:
        """Whose."""
        return self.roster.athletes[self.index]
