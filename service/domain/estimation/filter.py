"""The causal filter of `estimation`: one day after the other, batched over athletes, with a state that can be saved."""

from dataclasses import dataclass, replace

import numpy as np

from service.domain import kalman
from service.domain.estimation import body_fat, cycle, scale_change
from service.domain.estimation import model as m
from service.domain.estimation.cycle import Cycle
from service.domain.estimation.day import Day
from service.domain.estimation.food_known import (
    NewExcess,
    condition_on_presumption,
    new_excess,
    on_logging_scale,
)
from service.domain.estimation.initial import initial
from service.domain.estimation.intake import Eaten, eaten_on, logs_food, where_unknown
from service.domain.estimation.intake_response import IntakeResponse, next_morning
from service.domain.estimation.measurement_update import (
    Innovation,
    TargetReadings,
    condition_on_targets,
    condition_on_weigh_ins,
    implied_maintenance,
    innovation_of,
    weigh_in_row,
)
from service.domain.estimation.model import EXCESS, MAINTENANCE, RESPONSE, SCALE, STATES, TISSUE
from service.domain.estimation.prior import Start, prior
from service.domain.estimation.recent import INTAKE, INTAKE_VARIANCE, UNLOGGED, WEEK, Recent, mean_of_week
from service.domain.estimation.state import FilterState, Posterior
from service.domain.estimation.suspect_weigh_ins import WeighInHistory, judge
from service.domain.estimation.time_update import (
    ControlInput,
    ProcessNoise,
    Transition,
    inflate_at_phase_switch,
    linearise,
    propagate,
)
from service.domain.kalman import Moments
from service.domain.records import Athletes, Bools, CycleKind, Floats, Ints, PhaseKind, put, take

LOST_SIGHT_KG = 1.0  # kg, sd of tissue mass: one known no better is found anew by a weigh-in; judged
OUTLIER_SD = 3.0  # standard deviations: an accepted weigh-in further off is shown as suspect; judged
SomeUpdates = tuple[Ints, kalman.Update]  # whose, and the update, of those only
RECENT_INTAKE_SD = 0.15  # share of the reference intake, of each day before the first weigh-in; judged


@dataclass(frozen=True)
class WeighIns:
    """The day's weigh-ins against what the main hypothesis expects; arrays (athletes,)."""

    innovation: Innovation | None  # None: nobody's
    accepted: Bools
    suspect: Bools  # left out
    believed: Ints  # whose suspect weigh-ins agree with each other: taken in whole
    rescaled: Ints  # those of them who are on another scale
    z: Floats  # standardised innovations of the accepted ones, 0 of the others
    z2: Floats  # their squares
    distance_kg: Floats  # their size


@dataclass(frozen=True)
class FilteredDay:
    """A day after its measurement update: what is known, and the night that follows from it."""

    posterior: Posterior  # shares arrays with the filter: good until that goes on
    updates: tuple[kalman.Update, ...]  # of the main hypothesis, target and weigh-in, if traced
    alternative: scale_change.Outcome | None  # of the alternative hypotheses, if there are any
    alternative_updates: tuple[kalman.Update, ...]
    fat_update: SomeUpdates | None  # whose body fat was measured
    fat_ratio: Floats | None  # by which the weigh-in rescaled fat mass; None: nobody's
    new_excess: NewExcess | None  # whose excess starts anew; None: nobody's
    first_start: cycle.FirstStart | None  # of menstruation; None: nobody's
    control: ControlInput
    transition: Transition  # of the main hypothesis
    change_kg: Floats  # likewise, of tissue overnight
    response: IntakeResponse  # next morning
    size: int  # the number of leading states in use


class Filter:
    """The filter at work on a batch of athletes: for every day the measurement update, then the time update.

    The state given changes. `traced` keeps the updates of a day for the smoother.
    """

    def __init__(self, state: FilterState, athletes: Athletes, *, traced: bool = False) -> None:
        self.state, self._athletes, self._traced = state, athletes, traced
        self.alternatives = scale_change.Alternatives(state.scale)
        self._recent = Recent(state.recent)
        self.count = state.started.shape[0]

    def saved(self) -> FilterState:
        """What is remembered, in one piece; good until the filter goes on."""
        self.state.recent = self._recent.window
        self.alternatives.store(self.state.scale)
        return self.state

    def measurement_update(self, day: Day) -> FilteredDay:
        """Take in what was logged on a day, in this order; `day` describes the athletes of the batch.

        Moments change in place; of all else that the state holds, new parts follow from the old ones.
        """
        state = self.state
        state.body_fat, day = body_fat.measured_before(state.body_fat, state.started, day)
        self._start(day)
        state.days = state.days + state.started
        switch = state.started & (day.phase_day == 1) & (state.days > 1.0)
        first_start = _menstruation(state, self._athletes, day)
        cycle_today = state.cycle.on(day.date)
        main = state.moments.leading(STATES if self._traced else cycle.states_in_use(state.moments.cov))

        inflate_at_phase_switch(main.cov, np.flatnonzero(switch), state.reference.intake_kcal)
        implied = implied_maintenance(day, state.started, state.food.target_kcal)
        targets = condition_on_targets(main, *implied)
        noise_scale = state.scatter.noise_scale()
        weigh_ins, state.weigh_ins = _assess(state, main, day, cycle_today, noise_scale)
        morning = scale_change.Morning(
            switch, targets, weigh_ins.innovation, weigh_ins.accepted, noise_scale,
            state.response.water_variance, state.reference.intake_kcal, day.phase_day,
        )  # fmt: skip
        alternative = self._alternative(main, weigh_ins, morning)
        by_weigh_in, fat_ratio = self._condition_on_weigh_ins(main, weigh_ins)
        state.scatter = state.scatter.after(weigh_ins.z2, weigh_ins.accepted)
        state.one_sidedness = state.one_sidedness.after(weigh_ins.z, weigh_ins.accepted)
        state.weigh_ins = state.weigh_ins.after(weigh_ins.accepted)
        updates = self._updates(targets, by_weigh_in)
        updates, alternative_updates = self._adopt(alternative, updates)
        updates, alternative_updates = self._presume(day, updates, alternative_updates)

        tissue_kg = state.moments.mean[TISSUE]
        fat_update = body_fat.condition_on_measurements(state.body_fat.moments, tissue_kg, state.started, day)
        state.food = state.food.with_targets(day.target_kcal, switch)
        unknown_before = state.food.unknown
        eaten, state.food = eaten_on(day, state.food, state.moments.mean[MAINTENANCE], state.started)
        excess = new_excess(eaten.unknown, unknown_before)
        if excess is not None:
            excess.start(state.moments)
            excess.start(self.alternatives.moments, self.alternatives.rows)
            state.scale = state.scale.without(np.flatnonzero(excess.ends))
        control, response, week = self._control_input(eaten)
        transition, change_kg = self._linearise(state.moments.mean, control, slice(None))
        return FilteredDay(
            self._posterior(day, cycle_today, weigh_ins, alternative, transition, week),
            updates, alternative, alternative_updates, fat_update, fat_ratio, excess, first_start,
            control, transition, change_kg, response, main.mean.shape[0],
        )  # fmt: skip

    def time_update(self, filtered: FilteredDay) -> None:
        """Move on to the next morning."""
        state, alternatives, size = self.state, self.alternatives, filtered.size
        transition, change_kg = filtered.transition, filtered.change_kg
        noise = ProcessNoise(
            filtered.control.intake_variance,
            state.reference.intake_kcal,
            state.scatter.noise_scale(),
            state.one_sidedness.inflation(filtered.posterior.cut, filtered.control.unknown),
            filtered.control.unknown,
        )
        by_intake_kcal = transition.adaptation_kcal * state.moments.mean[RESPONSE]
        state.explained_kcal = state.explained_kcal + m.MASS_KCAL_PER_KG * change_kg + by_intake_kcal
        propagate(state.moments.leading(size), transition, change_kg, noise)
        if alternatives.rows.size:
            night = self.alternative_night(filtered)
            propagate(alternatives.moments.leading(size), *night, take(noise, alternatives.rows))
        body_fat.propagate(state.body_fat.moments, change_kg)
        state.response = filtered.response
        state.cycle = state.cycle.tomorrow()

    def alternative_night(self, filtered: FilteredDay) -> tuple[Transition, Floats]:
        """Transition and change of tissue, kg, of the alternative hypotheses in the night after a day."""
        control = take(filtered.control, self.alternatives.rows)
        return self._linearise(self.alternatives.moments.mean, control, self.alternatives.rows)

    def _start(self, day: Day) -> None:
        """Set up the athletes whose first weigh-in is today, in place."""
        who = np.flatnonzero(~self.state.started & ~np.isnan(day.mass_kg))
        if who.size:
            logs = self.state.food.ever_logged()[who] | logs_food(day)[who]
            first = _first_state(self._athletes, day, who, logs)
            put(self.state, who, first)
            self._recent.window[..., who] = first.recent

    def _alternative(
        self, main: Moments, weigh_ins: WeighIns, morning: scale_change.Morning
    ) -> scale_change.Outcome | None:
        """The morning of the alternative hypotheses, where there are any or a weigh-in makes one thinkable."""
        state, alternatives = self.state, self.alternatives
        begun = scale_change.begins(state.scale, state.weigh_ins.accepted_days, weigh_ins.z2, weigh_ins.distance_kg)
        if begun.any():
            begun &= ~state.food.unknown  # where nothing says what is eaten, mass follows the scale
        if not alternatives.rows.size and not begun.any():
            return None
        outcome, state.scale = scale_change.follow(state.scale, alternatives, main, begun, morning, traced=self._traced)
        return outcome

    def _condition_on_weigh_ins(self, main: Moments, weigh_ins: WeighIns) -> tuple[kalman.Update | None, Floats | None]:
        """Condition tissue and body fat of the main hypothesis on the accepted weigh-ins, in place."""
        if weigh_ins.innovation is None:
            return None, None
        accepted = weigh_ins.accepted
        before_kg, lost_sight = main.mean[TISSUE].copy(), main.cov[TISSUE, TISSUE] > LOST_SIGHT_KG**2
        update = condition_on_weigh_ins(main, weigh_ins.innovation, accepted, weigh_ins.believed, traced=self._traced)
        fat_ratio = body_fat.follow_weigh_ins(
            self.state.body_fat.moments,
            before_kg,
            main.mean[TISSUE],
            self.state.weigh_ins.young(),
            lost_sight,
            accepted,
        )
        return update, fat_ratio

    def _updates(self, targets: TargetReadings, by_weigh_in: kalman.Update | None) -> tuple[kalman.Update, ...]:
        """The updates of a day by target and by weigh-in, of all athletes, if they are traced."""
        if not self._traced:
            return ()
        by_target = kalman.spread_out(targets.update, targets.rows, self.count)
        return by_target, by_weigh_in or kalman.no_update(STATES, self.count)

    def _adopt(
        self, alternative: scale_change.Outcome | None, updates: tuple[kalman.Update, ...]
    ) -> tuple[tuple[kalman.Update, ...], tuple[kalman.Update, ...]]:
        """Where a new scale is adopted, the hypotheses change places."""
        if alternative is None:
            return updates, ()
        return scale_change.adopt(self.state.moments, self.alternatives, alternative, updates)

    def _presume(
        self, day: Day, updates: tuple[kalman.Update, ...], of_alternatives: tuple[kalman.Update, ...]
    ) -> tuple[tuple[kalman.Update, ...], tuple[kalman.Update, ...]]:
        """Take in that some log food for the first time, in place; on day one the prior knows it already.

        Returns the updates of the day with this one, of the main hypothesis and of the alternative ones, if traced.
        """
        state, alternatives = self.state, self.alternatives
        logged = state.food.ever_logged()
        if logged.all() and not self._traced:
            return updates, of_alternatives
        rows = np.flatnonzero(logs_food(day) & ~logged & (state.days > 1.0))
        if not rows.size and not self._traced:
            return updates, of_alternatives
        here = np.flatnonzero(np.isin(alternatives.rows, rows))
        main, others, reference = state.moments.of(rows), alternatives.moments.of(here), state.reference
        before_kcal = main.mean[MAINTENANCE].copy()
        update = condition_on_presumption(main, rows, reference, state.explained_kcal)
        of_others = condition_on_presumption(others, alternatives.rows[here], reference, state.explained_kcal)
        state.moments.put(rows, main)
        alternatives.moments.put(here, others)
        if rows.size:
            scale = main.mean[MAINTENANCE] / before_kcal
            state.reference = on_logging_scale(reference, rows, scale)
            self._recent.rescale(rows, scale)
        if not self._traced:
            return updates, of_alternatives
        by_others = kalman.spread_out(of_others, here, alternatives.rows.size)
        return (*updates, kalman.spread_out(update, rows, self.count)), (*of_alternatives, by_others)

    def _control_input(self, eaten: Eaten) -> tuple[ControlInput, IntakeResponse, Floats]:
        """What the day's food puts into the night, the responses next morning, and the food of the week so far."""
        state, intake, reference_kcal = self.state, eaten.intake, self.state.reference.intake_kcal
        driver, maintenance, excess = state.response, state.moments.mean[MAINTENANCE], state.moments.mean[EXCESS]
        unknown, some_unknown = eaten.unknown, bool(eaten.unknown.any())
        if some_unknown:
            intake = where_unknown(unknown, intake, maintenance * (1.0 + excess), 0.0)
        self._recent.append(intake.mean, intake.unlogged, intake.variance, driver.water, driver.water_variance)
        week = mean_of_week(self._recent.window[WEEK:, : UNLOGGED + 1])
        relative = (intake.mean + intake.unlogged * excess) / reference_kcal - 1.0
        if some_unknown:
            relative = np.where(unknown, 0.0, relative)
            intake = where_unknown(unknown, intake, maintenance, maintenance)
        response, adapted = next_morning(driver, intake, relative, eaten.carbohydrate, reference_kcal)
        control = ControlInput(
            intake_kcal=intake.mean,
            unlogged_kcal=intake.unlogged,
            intake_variance=intake.variance,
            week_intake_kcal=week[INTAKE],
            week_unlogged_kcal=week[UNLOGGED],
            adaptation_kcal=reference_kcal * adapted,
            unknown=unknown,
        )
        return control, response, week

    def _linearise(self, mean: Floats, control: ControlInput, rows: slice | Ints) -> tuple[Transition, Floats]:
        reference = self.state.reference
        return linearise(mean, control, reference.transfer_kg_per_kcal[rows], reference.gain_ratio[rows])

    def _posterior(
        self,
        day: Day,
        cycle_today: Cycle,
        weigh_ins: WeighIns,
        alternative: scale_change.Outcome | None,
        transition: Transition,
        week: Floats,
    ) -> Posterior:
        state = self.state
        adopted = np.zeros_like(state.started)
        if alternative is not None:
            adopted[alternative.rows] = alternative.adopted
        new_scale = adopted.copy()
        new_scale[weigh_ins.rescaled] = True
        return Posterior(
            started=state.started,
            days=state.days,
            accepted_days=state.weigh_ins.accepted_days,
            whole_days=state.food.whole_days,
            moments=state.moments,
            body_fat=state.body_fat.moments,
            reference=state.reference,
            explained_kcal=state.explained_kcal,
            base_kg_per_kcal=transition.base_kg_per_kcal,
            recent=self._recent.window,
            week=week,
            cycle=cycle_today,
            cut=day.phase == PhaseKind.CUT,
            unknown=state.food.unknown,
            suspect_weigh_in=weigh_ins.suspect | (weigh_ins.z2 > OUTLIER_SD**2),
            scale_adopted=adopted,
            new_scale=new_scale,
        )


def _menstruation(state: FilterState, athletes: Athletes, day: Day) -> cycle.FirstStart | None:
    """Take in a logged start of menstruation; the first one tells of the free rhythm where in the cycle it was."""
    if not day.menstruation_started.any():
        return None
    starts = state.started & day.menstruation_started & (athletes.cycle != CycleKind.NONE)
    first = np.flatnonzero(starts & np.isnan(state.cycle.day))
    told = cycle.expect_rhythm(state.moments, first, state.cycle.on(day.date).day[first]) if first.size else None
    state.cycle, state.scale = state.cycle.after_start(starts), state.scale.without(first)
    return told


def _assess(
    state: FilterState, main: Moments, day: Day, cycle_today: Cycle, noise_scale: Floats
) -> tuple[WeighIns, WeighInHistory]:
    """Hold the day's weigh-ins against what the main hypothesis expects; that is widened where they are believed."""
    weighed = state.started & ~np.isnan(day.mass_kg)
    nobody = np.zeros(0, np.int64)
    if not weighed.any():
        zeros = np.zeros(weighed.shape)
        return WeighIns(None, weighed, np.zeros_like(weighed), nobody, nobody, zeros, zeros, zeros), state.weigh_ins
    row = weigh_in_row(day.date, state.response.water, cycle_today, main.mean.shape[0])
    mass_kg = np.where(weighed, day.mass_kg, np.nan)
    innovation = innovation_of(main, row, mass_kg, noise_scale, state.response.water_variance)
    suspect, believed, history = judge(state.weigh_ins, mass_kg, innovation.kg, innovation.variance)
    rescaled = nobody
    if believed.size:  # kilograms overnight are no tissue where the mass was known
        known = (history.accepted_days[believed] >= scale_change.KNOWN_WEIGH_INS) & ~state.food.unknown[believed]
        rescaled = believed[known]
        innovation.widen(main.cov, SCALE, rescaled)
        innovation.widen(main.cov, TISSUE, believed[~known])
    accepted = weighed & ~suspect
    distance_kg = np.where(accepted, np.abs(innovation.kg), 0.0)
    z = np.where(accepted, innovation.kg / np.sqrt(innovation.variance), 0.0)
    z2 = distance_kg * distance_kg / innovation.variance
    return WeighIns(innovation, accepted, suspect, believed, rescaled, z, z2, distance_kg), history


def _first_state(athletes: Athletes, day: Day, who: Ints, logs: Bools) -> FilterState:
    """Where the athletes `who` start, whose first weigh-in is on this day; `logs`, which of them have logged food."""
    year = 1970.0 + float(day.date.astype(np.int64)) / 365.2425
    first = prior(
        Start(
            male=athletes.male[who],
            age_y=year - athletes.birth_year[who],
            height_cm=athletes.height_cm[who],
            activity_factor=athletes.activity_factor[who],
            mass_kg=day.mass_kg[who],
            body_fat_pct=day.body_fat_pct[who],
            body_fat_se_pct=day.body_fat_se_pct[who],
            target_kcal=day.target_kcal[who],
            phase=day.phase[who],
            logs_food=logs,
            cycle=athletes.cycle[who],
        )
    )
    state = initial(
        FilterState,
        who.shape[0],
        started=np.ones(who.shape[0], dtype=np.bool_),
        moments=first.moments,
        reference=first.reference,
    )
    state.body_fat = replace(state.body_fat, moments=first.body_fat)
    state.recent[:, INTAKE] = first.reference.intake_kcal
    state.recent[:, INTAKE_VARIANCE] = (RECENT_INTAKE_SD * first.reference.intake_kcal) ** 2
    return state
