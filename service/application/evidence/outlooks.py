"""What more data would do for what is known of athletes' maintenance."""

from collections.abc import Sequence
from dataclasses import fields

import numpy as np

from service.application.evidence.estimates import RosterEstimates
from service.application.evidence.roster import Roster
from service.domain.estimation.outlook import outlook
from service.domain.evidence import Outlook
from service.domain.records import Athletes, take

OUTLOOK_DAYS = 14


def outlooks(roster: Roster, estimates: RosterEstimates, rows: Sequence[int]) -> list[Outlook | None]:
    """What more data would do for maintenance, for some athletes of a roster on its last day; None before any log."""
    if not rows:
        return []
    chosen = np.array(rows)
    who = Athletes(**{field.name: getattr(roster.who, field.name)[chosen] for field in fields(Athletes)})
    ahead = outlook(who, take(estimates.body.state, chosen), np.datetime64(roster.to), OUTLOOK_DAYS)
    spreads = np.stack([ahead.as_so_far, ahead.weighing_daily, ahead.logging_daily, ahead.both_daily], axis=1)
    return [
        Outlook(OUTLOOK_DAYS, *(round(sd, 1) for sd in of_one)) if np.isfinite(of_one).all() else None
        for of_one in spreads.tolist()
    ]
