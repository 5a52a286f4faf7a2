"""What sparse food logging costs: run `python -m tests.simulated.logging_report [athletes] [weeks]` for the table."""

import sys

import numpy as np

from tests.simulated.logging_trial import Trial, first_sparse_week, run, world_of

SEED = 11
SETTLED = 42  # days after which the ways of logging are compared


def table(athletes: int, weeks: int, steady: bool) -> str:
    """Markdown: regular and irregular eaters by way of logging, at maintenance or in the built-in coach's phases."""
    lines = [
        "| eaters | logging | days/week | RMSE kcal | 90 % half width kcal | inside | first sparse week (quartiles) |",
        "|---|---|---|---|---|---|---|",
    ]
    for regular in (True, False):
        world = world_of(regular, athletes, 7 * weeks, SEED, steady)
        ways: dict[str, Trial] = {
            "every day": run(world, 7),
            "as asked": run(world, None),
            "3 a week after 2 full ones": run(world, 3, full_weeks=2),
            "1 a week after 2 full ones": run(world, 1, full_weeks=2),
            "none after 2 full weeks": run(world, 0, full_weeks=2),
        }
        for name, trial in ways.items():
            score = trial.after(SETTLED)
            began = "–"
            if name == "as asked":
                first = first_sparse_week(trial)
                never = float(np.isnan(first).mean())
                quartiles = np.nanquantile(first, [0.25, 0.5, 0.75])
                began = " / ".join(f"{week:.0f}" for week in quartiles) + f", never {never:.0%}"
            who = "regular" if regular else "irregular"
            lines.append(
                f"| {who} | {name} | {score.days_per_week:.1f} | {score.rmse_kcal:.0f}"
                f" | {score.half_width_kcal:.0f} | {score.coverage:.0%} | {began} |"
            )
    return "\n".join(lines)


if __name__ == "__main__":
    given = [int(word) for word in sys.argv[1:]]
    size = (given + [60, 16][len(given) :])[:2]
    for steady in (True, False):
        print("At maintenance, no phases" if steady else "In phases", table(*size, steady), sep="\n\n", end="\n\n")
