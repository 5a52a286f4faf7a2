"""A year of three invented athletes as a coach would write it down, from the reviews that the service makes.

    python -m tests.golden.notebook        # writes year.md beside this file

Their bodies and habits are simulated (`service.demo`); each week's review is made by `service.review` from the rows as
they would be stored, and the coach accepts it. Nothing in the notebook is typed: the sentences are the findings'.
"""

import textwrap
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import date, timedelta
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

from service.application.evidence.gather import RosterEvidence, roster_evidence
from service.application.evidence.notes import Deload, NoteRows
from service.application.evidence.policies import InForce
from service.application.evidence.rows import LiftHistory
from service.application.review.late_entries import days_compared
from service.application.review.make import review_roster
from service.demo.lifters import LIFTS, draw_lifters, train
from service.demo.people import draw_people
from service.demo.world import FIRST_DAY, Simulation
from service.domain.policy import DEFAULT
from service.domain.records import Athletes, DailyLog
from service.domain.rules.targets import phase_energy
from service.domain.strength.sets import LiftSet, summarise_sets
from tests.lift_histories import lift_history
from tests.simulated.coached_year import CLEARED, DAYS, LOGGED_FIRST_DAYS, PLANNED_DAYS, WEEK, Plan, Year, roster_of

PAGE = Path(__file__).with_name("year.md")
SEED = 30


@dataclass(frozen=True)
class Person:
    """Who it is, where they start, what they notice; traits are those of `service.demo.people.People`."""

    name: str
    story: str
    first: str
    goal_pct: float
    experience: int
    traits: Mapping[str, Any]
    notes: Mapping[int, Mapping[str, Any]] = field(default_factory=dict)  # day: what a wellbeing note says
    cleared_on: int | None = None  # day of a physician's clearance


PEOPLE = (
    Person(
        "Maren",
        "31, 168 cm, 70 kg, about 29 % fat; weighs in on most days and logs nearly everything; begins with a cut.",
        "cut",
        23.0,
        1,
        {
            "male": False, "age_y": 31.0, "height_cm": 168.0, "mass_kg": 70.0, "fat_kg": 20.3, "activity_level": 1.7,
            "activity_factor": 1.65, "resting_factor": 1.02, "reporting_factor": 0.93, "reporting_drift": 0.0,
            "weigh_in_missing": 0.1, "food_missing": 0.08, "marks_complete": True, "cycles": True, "logs_cycle": True,
            "abandon_rate": 0.0, "hunger_response": 0.5, "adherence_sd": 0.12, "new_scale_day": 10**6,
        },
    ),
    Person(
        "Tomas",
        "24, 181 cm, 74 kg, about 15 % fat, new to lifting; logs half of his food; begins with a build.",
        "build",
        12.0,
        0,
        {
            "male": True, "age_y": 24.0, "height_cm": 181.0, "mass_kg": 74.0, "fat_kg": 11.1, "activity_level": 1.75,
            "activity_factor": 1.6, "resting_factor": 1.05, "reporting_factor": 0.85, "reporting_drift": 0.0,
            "weigh_in_missing": 0.25, "food_missing": 0.5, "marks_complete": False, "cycles": False,
            "abandon_rate": 0.0, "hunger_response": 0.6, "adherence_sd": 0.16, "new_scale_day": 120,
            "new_scale_offset_kg": 0.9,
        },
    ),
    Person(
        "Bruno",
        "43, 176 cm, 96 kg, about 30 % fat; hungry on a deficit and honest about it; faints once in the spring.",
        "cut",
        22.0,
        1,
        {
            "male": True, "age_y": 43.0, "height_cm": 176.0, "mass_kg": 96.0, "fat_kg": 28.8, "activity_level": 1.5,
            "activity_factor": 1.6, "resting_factor": 0.95, "reporting_factor": 0.82, "reporting_drift": 0.0,
            "weigh_in_missing": 0.2, "food_missing": 0.25, "marks_complete": True, "cycles": False,
            "abandon_rate": 0.012, "hunger_response": 1.3, "adherence_sd": 0.15, "hides": False,
            "new_scale_day": 10**6,
        },
        {137: {"symptoms": ["fainting"]}},
        152,
    ),
)  # fmt: skip


def _begin() -> Year:
    """The three on their first Monday."""
    draw, life = np.random.SeedSequence(SEED).spawn(2)
    rng = np.random.default_rng(draw)
    people = draw_people(rng, len(PEOPLE), DAYS)
    for i, person in enumerate(PEOPLE):
        for name, value in person.traits.items():
            getattr(people, name)[i] = value
    people.menstrual_kg = np.where(people.cycles, 0.45, 0.0)
    people.body_fat_method[:] = 1
    people.body_fat_every_days[:] = 21
    people.fast_rate[:] = 0.0
    simulation = Simulation(people, DAYS + 3, int(life.generate_state(1)[0]))
    body = SimpleNamespace(tissue_mass_kg=people.mass_kg[:, None], fat_mass_kg=people.fat_kg[:, None])
    experience = np.array([person.experience for person in PEOPLE])
    lifters = draw_lifters(rng, SimpleNamespace(profile=people, truth=body), experience)
    goals = np.array([person.goal_pct for person in PEOPLE])
    year = Year(simulation, lifters, SEED + 1, [Plan() for _ in PEOPLE], goals)
    year.changes = [[] for _ in PEOPLE]
    year.first = [person.first for person in PEOPLE]
    simulation.advance(LOGGED_FIRST_DAYS)
    return year


class Coach:
    """Makes each week's reviews and accepts them."""

    def __init__(self, year: Year) -> None:
        self.year = year
        self.reviews: dict[int, list[Any]] = {i: [] for i in range(len(PEOPLE))}
        self.policies: Any = {i: InForce() for i in range(len(PEOPLE))}

    def review(self) -> list[dict[str, Any]]:
        """The documents of this week, before they are accepted."""
        made = [result.document for result in review_roster(self._evidence())]
        for i, document in enumerate(made):
            self.reviews[i].insert(0, SimpleNamespace(as_of=self.year.today, document=document, state="accepted"))
        return made

    def accept(self, i: int, document: Mapping[str, Any]) -> None:
        """Let a recommendation take effect."""
        recommended = document["recommendation"]
        kcal, phase = recommended["energy_kcal"]["to"], recommended["phase"]
        if phase is not None and kcal is not None:
            on, end = date.fromisoformat(phase["on"]), date.fromisoformat(phase["planned_end_on"])
            self.year.switch(i, phase["to"], on, end, kcal)
        elif kcal is not None:
            self.year.change(i, kcal)

    def begin_phases(self) -> list[tuple[str, float]]:
        """The coach's own first phases, at the energy that the service would set at a switch."""
        known, begun = self._evidence(), []
        for i, kind in enumerate(self.year.first):
            energy = phase_energy(known.evidence[i, self.year.today], DEFAULT, kind)  # type: ignore[arg-type, index]
            assert energy is not None
            on = self.year.today + timedelta(days=1)
            self.year.switch(i, kind, on, on + timedelta(days=PLANNED_DAYS[kind] - 1), energy.energy_kcal)
            begun.append((kind, energy.energy_kcal))
        return begun

    def _evidence(self) -> RosterEvidence:
        world = self.year.simulation.world()
        who = Athletes(**{f.name: getattr(world.profile, f.name) for f in fields(Athletes)})
        log = DailyLog(**{f.name: getattr(world.log, f.name) for f in fields(DailyLog)})
        roster = replace(roster_of(self.year, who, log), lifts=self._lifts(world))
        deloads = {
            i: [
                Deload(row.as_of, row.as_of + timedelta(days=1))
                for row in rows
                if row.document["recommendation"]["action"] == "deload"
            ]
            for i, rows in self.reviews.items()
        }
        note_rows: Any = NoteRows(self._screening(), self._wellbeing(world), self.reviews, deloads=deloads)  # type: ignore[arg-type]
        return roster_evidence(
            roster, note_rows, self.policies, [self.year.today], estimates_on=partial(days_compared, {})
        )

    def _lifts(self, world: Any) -> dict[int, dict[str, LiftHistory]]:
        done = train(world, self.year.training_seed, self.year.lifters)
        sets: dict[tuple[int, int, int], list[LiftSet]] = {}
        for k in range(len(done.day)):
            rir = None if np.isnan(done.rir[k]) else float(done.rir[k])
            kind = "warm_up" if done.marked_warm_up[k] else None
            one = LiftSet(float(done.load_kg[k]), int(done.reps[k]), rir, kind)
            sets.setdefault((int(done.athlete[k]), int(done.lift[k]), int(done.day[k])), []).append(one)
        lifts: dict[int, dict[str, list[Any]]] = {i: {} for i in range(len(PEOPLE))}
        for (i, lift, day), logged in sorted(sets.items()):
            share = 1.0 if LIFTS[lift] == "pull-up" else 0.0
            summary = summarise_sets(logged, body_mass_share=share)
            if summary is not None:
                row = SimpleNamespace(date=FIRST_DAY + timedelta(days=day), **summary._asdict())
                lifts[i].setdefault(LIFTS[lift], []).append(row)
        return {i: {name: lift_history(rows) for name, rows in own.items()} for i, own in lifts.items()}

    def _screening(self) -> dict[int, Any]:
        return {
            i: [SimpleNamespace(answers={**CLEARED, "clearances": list(self._clearances(person))})]
            for i, person in enumerate(PEOPLE)
        }

    def _clearances(self, person: Person) -> Iterator[dict[str, str]]:
        if person.cleared_on is not None and self.year.simulation.day > person.cleared_on:
            on = str(FIRST_DAY + timedelta(days=person.cleared_on))
            for scope in ("deficit", "load"):
                yield {"for": scope, "on": on, "by": "Dr Lindqvist, general practice"}

    def _wellbeing(self, world: Any) -> dict[int, list[Any]]:
        """A note every Sunday with hunger as felt, and what else was noticed."""
        notes: dict[int, list[Any]] = {i: [] for i in range(len(PEOPLE))}
        for i, person in enumerate(PEOPLE):
            for day in range(self.year.simulation.day):
                content = dict(person.notes.get(day, {}))
                if day % WEEK == WEEK - 1:
                    content["hunger"] = int(np.clip(round(1.5 + 14.0 * world.truth.hunger[i, day]), 1, 5))
                if content:
                    notes[i].append(SimpleNamespace(date=FIRST_DAY + timedelta(days=day), content=content))
        return notes


def _wrapped(label: str, text: str) -> str:
    return textwrap.fill(text, 116, initial_indent=f"- {label}: ", subsequent_indent="  ")


def _entry(document: Mapping[str, Any]) -> str:
    """One week of one athlete."""
    phase, recommended, seen = document["phase"], document["recommendation"], document["estimates"]
    where = f"{phase['kind']}, day {phase['day']}" if phase else "no phase"
    energy = recommended["energy_kcal"]
    lines = [f"**{document['week']}, {document['as_of']}** ({where}, {_kcal(energy['from'])})"]
    lines.append(_wrapped("seen", _seen(seen)))
    scored = (document["score"] or {"quantities": {}})["quantities"].get("average_mass_kg")
    if scored:
        held = "as predicted" if scored["inside"] else "outside the prediction"
        band = scored["predicted"]
        lines.append(f"- predicted {band['lo']:.1f} to {band['hi']:.1f} kg, found {scored['found']:.1f}: {held}")
    lines.append(_wrapped("recommended", _advice(recommended)))
    said = {finding["code"]: finding["statement"] for finding in document["findings"]}
    lines += [_wrapped(f"because ({code})", said[code]) for code in recommended["because"] if code in said]
    lines += [_wrapped("otherwise", text) for text in recommended["would_change_if"]]
    return "\n".join(lines)


def _kcal(energy: float | None) -> str:
    return "no target" if energy is None else f"{energy:.0f} kcal"


def _band(band: Mapping[str, float] | None, digits: int, unit: str) -> str | None:
    return band and f"{band['mean']:.{digits}f} ({band['lo']:.{digits}f} to {band['hi']:.{digits}f}) {unit}"


def _seen(seen: Mapping[str, Any]) -> str:
    lost = seen["probability"]["strength_lost"]
    parts = [
        _band(seen["average_mass_kg"], 1, "kg"),
        _band(seen["tissue_rate_pct_per_week"], 2, "%/week of tissue"),
        _band(seen["maintenance_kcal"], 0, "kcal to maintain"),
        _band(seen["body_fat_pct"], 1, "% fat"),
        None if lost is None else f"strength lost with probability {lost:.2f}",
    ]
    return "; ".join(part for part in parts if part)


def _advice(recommended: Mapping[str, Any]) -> str:
    action, energy, phase = recommended["action"], recommended["energy_kcal"], recommended["phase"]
    words = action.replace("_", " ")
    if phase is not None:
        words += f" to {phase['to']} on {phase['on']}, until {phase['planned_end_on']}"
    if energy["to"] is not None and energy["to"] != energy["from"]:
        words += f", {_kcal(energy['from'])} → {_kcal(energy['to'])}"
    return words


def write() -> str:
    """The whole notebook."""
    year = _begin()
    coach = Coach(year)
    pages = [[f"## {person.name}", "", person.story] for person in PEOPLE]
    for page, (kind, kcal) in zip(pages, coach.begin_phases(), strict=True):
        page += ["", f"After two weeks of logging the coach begins a {kind} at {_kcal(kcal)}."]
    while year.simulation.day < DAYS:
        year.live_a_week()
        for i, document in enumerate(coach.review()):
            pages[i] += ["", _entry(document)]
            coach.accept(i, document)
    top = f"# A year of three invented athletes\n\n{__doc__.split(chr(10), 4)[-1].strip()}\n"
    return "\n".join([top, *("\n".join([*page, ""]) for page in pages)])


if __name__ == "__main__":
    PAGE.write_text(write())
