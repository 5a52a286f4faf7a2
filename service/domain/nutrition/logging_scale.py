"""From the athlete's logging scale, on which targets are, to the true scale, on which food is weighed out."""

from dataclasses import dataclass, replace

from service.domain.evidence import Evidence, Targets
from service.domain.nutrition.foods import Nutrients
from service.domain.physiology.energy import PROTEIN_KCAL_PER_G
from service.domain.sentence import Sentence, say


@dataclass(frozen=True)
class LoggingScale:
    """How much more is eaten than is logged: `ratio`, of the energy requirement to logged maintenance, both in kcal/d.

    The energies are None, and the ratio one, where no food was ever logged: a log that is not there holds no error.
    """

    ratio: float = 1.0
    maintenance_kcal: float | None = None
    energy_requirement_kcal: float | None = None

    @classmethod
    def of(cls, evidence: Evidence) -> "LoggingScale":
        """The scale of an athlete's log, by the means of both estimates."""
        logged, needed = evidence.maintenance_kcal, evidence.energy_requirement_kcal
        if logged is None or needed is None or evidence.log.days_since_food is None:
            return cls()
        return cls(needed.mean / logged.mean, logged.mean, needed.mean)

    def weighed(self, targets: Targets, energy_floor_kcal: float) -> Targets:
        """Targets on the true scale.

        Energy by the ratio, though not below the floor if the targets are not; fat and carbohydrate share the
        difference; protein and fibre stay, being what the body needs and no record of what was eaten.
        """
        energy = targets.energy_kcal * self.ratio
        energy = float(round(max(energy, min(energy_floor_kcal, targets.energy_kcal))))
        share = energy / targets.energy_kcal
        factor = _rest_factor(targets.energy_kcal, energy, targets.protein_g or 0.0)
        return replace(
            targets,
            energy_kcal=energy,
            fat_g=_grams(targets.fat_g, factor),
            carbohydrate_g=_grams(targets.carbohydrate_g, factor),
            meals=tuple(replace(meal, energy_kcal=round(meal.energy_kcal * share, 1)) for meal in targets.meals),
        )

    def eaten(self, logged: Nutrients) -> Nutrients:
        """What was eaten of what was logged, in the same way; of protein and fibre no more than was logged."""
        energy = logged.energy_kcal * self.ratio
        factor = _rest_factor(logged.energy_kcal, energy, logged.protein_g)
        return replace(
            logged, energy_kcal=energy, fat_g=logged.fat_g * factor, carbohydrate_g=logged.carbohydrate_g * factor
        )

    def why(self, targets: Targets, weighed: Targets) -> Sentence:
        """Why another energy is weighed out than is logged, or that it is the same."""
        if self.maintenance_kcal is None or self.energy_requirement_kcal is None:
            return say("menu.scale_unknown", energy_kcal=targets.energy_kcal)
        return say(
            "menu.scale",
            weighed_kcal=weighed.energy_kcal,
            logged_kcal=targets.energy_kcal,
            maintenance_kcal=self.maintenance_kcal,
            energy_requirement_kcal=self.energy_requirement_kcal,
        )


def _rest_factor(energy_kcal: float, moved_to_kcal: float, protein_g: float) -> float:
    """Factor for fat and carbohydrate when the energy moves and the protein stays."""
    rest = energy_kcal - PROTEIN_KCAL_PER_G * protein_g
    if rest <= 0.0:
        return 1.0
    return max(1.0 + (moved_to_kcal - energy_kcal) / rest, 0.0)


def _grams(grams: float | None, factor: float) -> float | None:
    return None if grams is None else round(grams * factor, 1)
