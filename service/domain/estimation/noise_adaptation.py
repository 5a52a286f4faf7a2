"""What the innovations of weigh-ins say about the noise: of the athlete's weighing, and of a maintenance that moves.

The usual spreads are the population's; an athlete whose weigh-ins scatter more, or keep falling on one side of what the
log makes expected, is filtered with wider ones (adaptive filtering by innovations, as Mehra 1970, from memory).
"""

from dataclasses import dataclass

import numpy as np

from service.domain.records import Bools, Floats

PRIOR_DAYS = 20.0  # weigh-ins that the usual variance counts for; judged
MOST_SQUARE = 6.0  # of a standardised innovation, in the athlete's scatter: strays do not widen it; judged
KEPT_PER_WEIGH_IN, KEPT_PER_DAY = 0.9, 0.98  # share of the fading sum, with a weigh-in and without; judged
MOST_INNOVATION = 2.0  # standard deviations, in the fading sum; judged
LEAST_VARIANCE = 4.5  # of the fading sum: a few weigh-ins prove nothing; judged
INFLATION, INFLATION_MOST, INFLATION_IN_CUT = 4.0, 20.0, 4.0  # of the walk's variance; tried: see `estimation`


@dataclass(frozen=True)
class Scatter:
    """The athlete's own scatter of weigh-ins; arrays (athletes,)."""

    square_sum: Floats  # of standardised innovations
    weigh_ins: Floats

    def noise_scale(self) -> Floats:
        """The athlete's own variance of weighing against the usual one: (20 + Σz²)/(20 + n)."""
        return (PRIOR_DAYS + self.square_sum) / (PRIOR_DAYS + self.weigh_ins)

    def after(self, z2: Floats, accepted: Bools) -> "Scatter":
        """The scatter with the squares of a day's standardised innovations, 0 where no weigh-in was accepted."""
        return Scatter(self.square_sum + np.minimum(z2, MOST_SQUARE), self.weigh_ins + accepted)


@dataclass(frozen=True)
class OneSidedness:
    """Fading sum of standardised innovations with their sign, and its variance if the model is right; (athletes,)."""

    sum: Floats
    variance: Floats

    def after(self, z: Floats, accepted: Bools) -> "OneSidedness":
        """The sum after a day with standardised innovations `z`, 0 where no weigh-in was accepted."""
        kept = np.where(accepted, KEPT_PER_WEIGH_IN, KEPT_PER_DAY)
        total = self.sum * kept + np.clip(z, -MOST_INNOVATION, MOST_INNOVATION)
        return OneSidedness(total, self.variance * (kept * kept) + accepted)

    def inflation(self, cut: Bools, unknown: Bools) -> Floats:
        """How much more than usual maintenance may move tonight: a factor on the variance of its walk, (athletes,).

        1 + min(max(4(s²/var s − 1), 0), 20): weigh-ins that keep falling on one side of what the log makes expected
        mean a new job, or eating that is no longer written down; the latter most of all in a cut whose scale stays up.
        They mean nothing where what is eaten is `unknown`.
        """
        square = self.sum**2 / np.maximum(self.variance, LEAST_VARIANCE)
        extra = np.clip(INFLATION * (square - 1.0), 0.0, INFLATION_MOST) * ~unknown
        return 1.0 + extra * np.where(cut & (self.sum > 0.0), INFLATION_IN_CUT, 1.0)
