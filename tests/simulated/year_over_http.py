"""A year of simulated athletes coached over HTTP: a real server, `steelyard tick` every Monday, a coach who answers.

    python -m tests.simulated.year_over_http N_ATHLETES SEED [--weeks 52] [--database postgresql] [--notes]
        [--answers accept|mixed] [--notebook FILE]

The athletes are those of the closed loop (`coached_year.py`), with the same luck. Whatever the service knows of them
went through its API, and they follow the phases and targets that they read back there. Beside it the coach of the
closed loop looks at the very same logs in this process, week by week: what the two say is compared, and so is a year
that the closed loop coaches alone.
"""

import argparse
import json
import subprocess
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import httpx
import numpy as np
import orjson

from service.application.review.decided import decision_body
from service.demo.lifters import EXPERIENCE_NAMES, train
from service.demo.lines import METHOD_NAMES, Enrolment, world_lines
from service.demo.world import FIRST_DAY
from service.domain.policy import DEFAULT
from service.domain.rules.targets import phase_energy
from tests.conftest import STEELYARD, LiveServer, environment, free_port, run_steelyard
from tests.databases import Databases
from tests.simulated.closed_loop import MEASURES, score
from tests.simulated.coach_notebook import notebook
from tests.simulated.coached_year import (
    CLEARED,
    DAYS,
    LOGGED_FIRST_DAYS,
    PLANNED_DAYS,
    WEEK,
    PolicyCoach,
    Year,
    begin,
    run,
)

ROUTES = {  # import line type: route of its array
    "weigh_in": "weigh-ins",
    "meal": "meals",
    "measurement": "measurements",
    "wellbeing": "wellbeing",
    "training_session": "training-sessions",
}
COMPARED = ("average_mass_kg", "maintenance_kcal", "tissue_rate_pct_per_week", "body_fat_pct")
AMENDED, DECLINED = 0.06, 0.06  # shares of recommendations that a coach of mixed answers changes or turns down


@contextmanager
def served(database_url: str, folder: Path) -> Iterator[LiveServer]:
    """A server on loopback, without the clock: the year is driven by `steelyard tick`."""
    port = free_port()
    with open(folder / "server.log", "wb") as log:
        process = subprocess.Popen(
            [STEELYARD, "serve", "--port", str(port), "--no-clock"],
            env=environment(database_url, {"STEELYARD_CHECK_TENANT_FILTER": "1"}),
            stdin=subprocess.DEVNULL,
            stdout=log,
            stderr=subprocess.STDOUT,
        )
    server = LiveServer(f"http://127.0.0.1:{port}", process, folder / "server.log")
    server.wait_until_ready()
    try:
        yield server
    finally:
        server.stop()
        assert "Traceback" not in server.log(), server.log()[-4000:]


@dataclass
class Week:
    """One review as the coach met it, and what became of it."""

    athlete: int
    review: dict[str, Any]
    attention: dict[str, Any] | None
    decision: str
    acknowledged: list[str]
    refused: list[dict[str, Any]]
    shadow: dict[str, Any]  # what the closed loop's own coach says of the same log
    effect: dict[str, Any] = field(default_factory=dict)  # what the decision set in motion


@dataclass
class HttpCoach:
    """A coach and the athletes' apps, who know the service by its API alone."""

    url: str
    key: str
    database_url: str
    answers: str = "accept"
    notes: bool = False  # the athletes note sleep, hunger and fatigue, which the closed loop's do not
    weeks: list[Week] = field(default_factory=list)
    ids: list[str] = field(default_factory=list)
    posted: Counter[str] = field(default_factory=Counter)
    ticks: list[str] = field(default_factory=list)
    ticked: Callable[["HttpCoach", str], str] | None = None  # another way to tick, for the tests of odd weeks
    shadow: PolicyCoach = field(default_factory=PolicyCoach)
    first_kcal: dict[int, float] = field(default_factory=dict)  # energy of a first phase begun this week, by athlete

    def __post_init__(self) -> None:
        headers = {"Authorization": f"Bearer {self.key}"}
        self.http = httpx.Client(base_url=self.url + "/v1", headers=headers, timeout=120, trust_env=False)

    def call(self, method: str, path: str, *expected: int, **arguments: Any) -> Any:
        answer = self.http.request(method, path, **arguments)
        assert answer.status_code in (expected or (200, 201)), (method, path, answer.status_code, answer.text)
        return answer.json()

    # The athletes' side

    def enrol(self, year: Year) -> None:
        """Athletes and their first two weeks as an import, screening by its own route."""
        enrolments = [self._enrolment(year, i, 0) for i in range(len(year.plans))]
        lines = [line for line in self._lines(year, enrolments) if line["type"] not in ("phase", "targets")]
        body = b"\n".join(map(orjson.dumps, lines))
        headers = {"Content-Type": "application/x-ndjson", "Prefer": "wait=60"}
        done = self.call("POST", "/imports", 202, content=body, headers=headers)
        assert (done["state"], done["lines_kept"], done["faults"]) == ("done", len(lines), []), done
        self.posted.update(line["type"] for line in lines)
        for i in range(len(year.plans)):
            found = self.call("GET", "/athletes", params={"external_id": name_of(i)})["items"]
            self.ids.append(found[0]["id"])
            self.call("PUT", f"/athletes/{self.ids[i]}/screening", json=CLEARED)

    def send_week(self, year: Year) -> None:
        """What the athletes logged in the last seven days, kind by kind."""
        first = year.simulation.day - WEEK
        enrolments = [self._enrolment(year, i, first) for i in range(len(year.plans))]
        by_kind: dict[tuple[str, str], list[dict[str, Any]]] = {}
        lines = [line for line in self._lines(year, enrolments) if line["type"] not in ("phase", "targets", "athlete")]
        lines += self._wellbeing(year, first) if self.notes else []
        for line in lines:
            entry = {name: value for name, value in line.items() if name not in ("type", "athlete")}
            by_kind.setdefault((line["athlete"], line["type"]), []).append(entry)
            self.posted[line["type"]] += 1
        for (name, kind), entries in by_kind.items():
            athlete = self.ids[int(name[2:]) - 1]
            if kind == "food_day":
                for entry in entries:
                    self.call("PUT", f"/athletes/{athlete}/food-days/{entry['date']}", json={"state": entry["state"]})
            else:
                self.call("POST", f"/athletes/{athlete}/{ROUTES[kind]}", json=entries)

    def _enrolment(self, year: Year, i: int, first_day: int) -> Enrolment:
        further = {
            "experience": EXPERIENCE_NAMES[year.lifters.experience[i]],
            "goal": {"body_fat_pct": round(float(year.goal_pct[i]), 1)},
            "review_weekday": "monday",
        }
        method = METHOD_NAMES[int(year.simulation.people.body_fat_method[i])]
        return Enrolment(name_of(i), first_day=first_day, method=method, further=tuple(further.items()))

    def _lines(self, year: Year, enrolments: list[Enrolment]) -> Iterator[dict[str, Any]]:
        world = year.simulation.world()
        training = train(world, year.training_seed, year.lifters)
        rng = np.random.default_rng([year.training_seed, year.simulation.day])
        return world_lines(world, training, enrolments, rng)

    def _wellbeing(self, year: Year, first: int) -> Iterator[dict[str, Any]]:
        """Notes that follow the true hunger of the simulated body; sizes are common practice, no source."""
        hunger = year.simulation.world().truth.hunger
        rng = np.random.default_rng([year.training_seed, year.simulation.day, 1])
        for i in range(len(year.plans)):
            for day in range(first, year.simulation.day, 2):
                deficit = max(float(hunger[i, day]), 0.0)
                felt = {
                    "hunger": int(np.clip(round(1.8 + 10 * deficit + 0.5 * rng.standard_normal()), 1, 5)),
                    "fatigue": int(np.clip(round(1.8 + 7 * deficit + 0.7 * rng.standard_normal()), 1, 5)),
                    "sleep_h": round(float(np.clip(7.4 - 3 * deficit + 0.6 * rng.standard_normal(), 3, 11)), 1),
                }
                on = str(FIRST_DAY + timedelta(days=day))
                yield {"type": "wellbeing", "athlete": name_of(i), "date": on, **felt}

    def read_back(self, year: Year, i: int) -> None:
        """The athlete's plan becomes what the service says it is."""
        phases = self.call("GET", f"/athletes/{self.ids[i]}/phases")["items"]
        targets = self.call("GET", f"/athletes/{self.ids[i]}/targets")["items"]
        plan = year.plans[i]
        plan.phases = [
            SimpleNamespace(
                kind=row["kind"],
                starts_on=date.fromisoformat(row["starts_on"]),
                planned_end_on=row["planned_end_on"] and date.fromisoformat(row["planned_end_on"]),
                energy_kcal=row["energy_kcal"],
            )
            for row in phases
        ]
        steps = {phase.starts_on: {"energy_kcal": phase.energy_kcal} for phase in plan.phases if phase.energy_kcal}
        steps |= {date.fromisoformat(row["from_date"]): row for row in targets}
        plan.targets = [SimpleNamespace(**_target(on, row)) for on, row in sorted(steps.items())]
        starts = {phase.starts_on for phase in plan.phases}
        pairs = zip(plan.targets, plan.targets[1:], strict=False)
        year.changes[i] = [
            (after.from_date, after.energy_kcal - before.energy_kcal)
            for before, after in pairs
            if after.from_date not in starts and after.energy_kcal != before.energy_kcal
        ]

    # The coach's side

    def tick(self, year: Year) -> bool:
        """Run what is due on Monday morning; whether it ran."""
        at = monday_morning(year)
        said = (self.ticked or _tick)(self, at)
        self.ticks.append(f"{at}: {said}")
        return bool(said)

    def __call__(self, year: Year) -> None:
        self.call("POST", "/sandbox/clock", json={"now": monday_morning(year)})
        if not self.ids:
            self.enrol(year)
        else:
            self.send_week(year)
        shadows = self._shadows(year)
        if not self.tick(year):
            return  # nobody was there this Monday
        listed = self.attention()
        for i, athlete in enumerate(self.ids):
            review = self.call("POST", f"/athletes/{athlete}/reviews", 200, json={"as_of": str(year.today)})
            if not year.plans[i].phases:
                self._first_phase(year, i, review)
            else:
                entry = next((item for item in listed if item["athlete_id"] == athlete), None)
                self._answer(year, i, review, entry, shadows[i])
            self.read_back(year, i)

    def attention(self) -> list[dict[str, Any]]:
        """The whole list, page by page."""
        items: list[dict[str, Any]] = []
        address = "/attention?limit=1000"
        while address:
            answer = self.http.get(address)
            assert answer.status_code == 200, answer.text
            items += answer.json()["items"]
            address = answer.links["next"]["url"].removeprefix("/v1") if "next" in answer.links else ""
        return items

    def _first_phase(self, year: Year, i: int, review: dict[str, Any]) -> None:
        """The coach chooses it. Its energy is the closed loop's: the API has no way to ask for one before a phase."""
        kind, on, energy_kcal = year.first[i], year.today + timedelta(days=1), self.first_kcal.get(i)
        if energy_kcal is None:
            return  # no weigh-in yet: next week
        end = on + timedelta(days=PLANNED_DAYS[kind] - 1)
        body = {"kind": kind, "starts_on": str(on), "planned_end_on": str(end), "energy_kcal": energy_kcal}
        answer = self.call("POST", f"/athletes/{self.ids[i]}/phases", 201, 422, json=body)
        if "errors" in answer:  # soft limits, which this coach has seen
            body["acknowledge"] = [fault["code"] for fault in answer["errors"]]
            self.call("POST", f"/athletes/{self.ids[i]}/phases", json=body)
        year.believed_kcal[i, (on - FIRST_DAY).days :] = review["estimates"]["maintenance_kcal"]["mean"]

    def _answer(self, year: Year, i: int, review: dict[str, Any], entry: Any, shadow: dict[str, Any]) -> None:
        recommended = review["recommendation"]
        week = Week(i, review, entry, "none", [], [], shadow)  # a hold lapses by itself
        self.weeks.append(week)
        year.weeks += 1
        year.asked += recommended["action"] == "collect_data"
        body, start = self._chosen(i, year, recommended), year.simulation.day
        if body is not None:
            effect = self._decide(week, body)
            if week.decision == "declined":
                return
            start = (date.fromisoformat(effect["effective_on"]) - FIRST_DAY).days
        known = review["estimates"]["maintenance_kcal"]
        if known is not None and recommended["energy_kcal"]["to"] is not None:
            year.believed_kcal[i, start:] = known["mean"]

    def _decide(self, week: Week, body: dict[str, Any]) -> dict[str, Any]:
        """Post the answer; acknowledge what may be acknowledged, decline what is refused."""
        for _ in range(3):
            answer = self.http.post(f"/reviews/{week.review['id']}/decision", json=body)
            if answer.status_code == 201:
                break
            assert answer.status_code == 422, answer.text
            faults = answer.json()["errors"]
            week.refused += [{**fault, "body": body["decision"]} for fault in faults]
            if all(fault["pointer"] == "/acknowledge" for fault in faults):
                week.acknowledged += [fault["code"] for fault in faults]
                body = {**body, "acknowledge": week.acknowledged}
            else:
                body = {"decision": "declined", "note": "refused: " + faults[0]["code"]}
        assert answer.status_code == 201, answer.text
        week.decision = body["decision"]
        week.effect = answer.json()
        return week.effect

    def _chosen(self, i: int, year: Year, recommended: dict[str, Any]) -> dict[str, Any] | None:
        """The coach's first answer: accepted, or at times one of her own; None where there is nothing to decide."""
        if self.answers == "accept" or recommended["action"] not in ("hold", "change_energy", "switch_phase"):
            return None if recommended["action"] == "hold" else {"decision": "accepted"}
        drawn = np.random.default_rng([i, year.simulation.day]).random()
        to = recommended["energy_kcal"]["to"]
        if drawn < AMENDED and to is not None:
            return {"decision": "amended", "changes": {"energy_kcal": to - 60}, "note": "a little less"}
        if drawn < AMENDED + DECLINED and recommended["action"] != "hold":
            return {"decision": "declined", "note": "not this week"}
        return None if recommended["action"] == "hold" else {"decision": "accepted"}

    # The closed loop's own coach beside it, who sees the simulated log itself

    def _shadows(self, year: Year) -> list[dict[str, Any]]:
        said: list[dict[str, Any]] = [{} for _ in year.plans]
        self.first_kcal.clear()

        def keep(i: int, _: Year, evidence: Any, decision: Any) -> None:
            PolicyCoach._keep(self.shadow, i, counted, evidence, decision)  # type: ignore[arg-type]
            said[i] = {"evidence": evidence, **decision_body(decision, evidence.as_of)["recommendation"]}

        def first(i: int, _: Year, evidence: Any) -> None:
            energy = phase_energy(evidence, DEFAULT, year.first[i])  # type: ignore[arg-type]
            if energy is not None:
                self.first_kcal[i] = energy.energy_kcal

        counted = SimpleNamespace(weeks=0, asked=0)
        self.shadow._keep = keep  # type: ignore[method-assign,assignment]
        self.shadow._begin = first  # type: ignore[method-assign,assignment]
        self.shadow._accept = lambda *_: None  # type: ignore[method-assign]
        self.shadow(year)
        return said


def monday_morning(year: Year) -> str:
    """When the coach sits down, the day after the last one lived: the practice's clock stands there until next week."""
    return f"{year.today + timedelta(days=1)}T06:00:00Z"


def name_of(i: int) -> str:
    return f"y-{i + 1:03d}"


def _target(on: date, row: dict[str, Any]) -> dict[str, Any]:
    names = ("energy_kcal", "protein_g", "fat_g", "carbohydrate_g", "fibre_g", "meals")
    window = row.get("eating_window")
    return {"from_date": on, **{name: row.get(name) for name in names}, "eating_window": window}


def _tick(coach: HttpCoach, at: str) -> str:
    return " ".join(run_steelyard(coach.database_url, "tick", "--at", at).stdout.split())


def live(coach: HttpCoach, athletes: int, seed: int, days: int = DAYS) -> Year:
    """A roster through a year, or a part of it, in the coach's hands."""
    year = begin(athletes, seed)
    while year.simulation.day < days:
        coach(year)
        year.live_a_week()
    return year


@contextmanager
def practice(engine: str = "sqlite", **choices: Any) -> Iterator[HttpCoach]:
    """A server on a new database and a coach with a key to it."""
    databases = Databases()
    try:
        with tempfile.TemporaryDirectory() as folder, databases.fresh(engine) as url:
            key = (
                run_steelyard(url, "keys", "new", "--practice", "Tidewater Barbell", "--test")
                .stdout.strip()
                .splitlines()[-1]
            )
            with served(url, Path(folder)) as server:
                coach = HttpCoach(server.url, key, url, **choices)
                with coach.http:
                    yield coach
    finally:
        databases.close()


def differences(coach: HttpCoach) -> dict[str, Any]:
    """How far the reviews are from what the closed loop's coach says of the same log."""
    gaps: dict[str, list[float]] = {name: [] for name in COMPARED}
    same_action = same_energy = 0
    other: Counter[str] = Counter()
    for week in coach.weeks:
        ours, theirs = week.review, week.shadow
        for name, values in gaps.items():
            a, b = ours["estimates"][name], getattr(theirs["evidence"], name)
            if a is not None and b is not None:
                values.append(abs(a["mean"] - b.mean))
        same = ours["recommendation"]["action"] == theirs["action"]
        same_action += same
        if not same:
            other[f"{ours['recommendation']['action']}, in the process {theirs['action']}"] += 1
        a, b = ours["recommendation"]["energy_kcal"]["to"], theirs["energy_kcal"]["to"]
        same_energy += a == b or (a is not None and b is not None and abs(a - b) <= 20)
    count = max(len(coach.weeks), 1)
    return {
        "reviews": len(coach.weeks),
        "same_action": same_action / count,
        "same_energy": same_energy / count,
        "other": other.most_common(),
        "median_gap": {name: float(np.median(values)) for name, values in gaps.items() if values},
        "p95_gap": {name: float(np.quantile(values, 0.95)) for name, values in gaps.items() if values},
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("athletes", type=int)
    parser.add_argument("seed", type=int)
    parser.add_argument("--weeks", type=int, default=DAYS // WEEK)
    parser.add_argument("--database", choices=("sqlite", "postgresql"), default="sqlite")
    parser.add_argument("--notes", action="store_true")
    parser.add_argument("--answers", choices=("accept", "mixed"), default="accept")
    parser.add_argument("--notebook", type=Path)
    asked = parser.parse_args()
    days = max(asked.weeks * WEEK, LOGGED_FIRST_DAYS + 2 * WEEK)
    with practice(asked.database, answers=asked.answers, notes=asked.notes) as coach:
        year = live(coach, asked.athletes, asked.seed, days)
        calibration = coach.call("GET", "/calibration", params={"from": str(FIRST_DAY)})
        print("calibration:", json.dumps(calibration["overall"]), json.dumps(calibration["warnings"]))
        print("by phase:", json.dumps(calibration["by_phase"]))
    print("posted:", dict(coach.posted))
    print("decisions:", Counter(week.decision for week in coach.weeks))
    print("refused:", Counter(f["code"] for week in coach.weeks for f in week.refused))
    print("actions:", Counter(week.review["recommendation"]["action"] for week in coach.weeks))
    print("beside the closed loop's coach on the same log:", json.dumps(differences(coach), indent=1))
    if days == DAYS:
        alone = score(run(PolicyCoach(), asked.athletes, asked.seed))
        ours = score(year)
        for name, (words, digits) in MEASURES.items():
            print(f"{words:75} over HTTP {ours[name]:7.{digits}f}   in the process {alone[name]:7.{digits}f}")
    if asked.notebook:
        asked.notebook.write_text(notebook(coach.weeks))


if __name__ == "__main__":
    main()
