"""A mixed-integer linear program as it is written, column by column and row by row, and HiGHS that solves it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import highspy
import numpy as np
from numpy.typing import NDArray


class _Solver(highspy.Highs):
    """HiGHS, silent before its first word: setting up the callbacks would write a banner to standard output."""

    def enableCallbacks(self) -> None:
        self.silent()
        super().enableCallbacks()  # type: ignore[no-untyped-call]


@dataclass
class LinearProgram:
    """Columns and sparse rows as they are written."""

    cost: list[float] = field(default_factory=list)
    lower: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    whole: list[bool] = field(default_factory=list)
    lows: list[float] = field(default_factory=list)
    highs: list[float] = field(default_factory=list)
    starts: list[int] = field(default_factory=lambda: [0])
    columns: list[int] = field(default_factory=list)
    values: list[float] = field(default_factory=list)

    def column(self, cost: float, upper: float, whole: bool = True, lower: float = 0.0) -> int:
        self.cost.append(cost)
        self.lower.append(lower)
        self.upper.append(upper)
        self.whole.append(whole)
        return len(self.cost) - 1

    def row(self, terms: Sequence[tuple[int, float]], least: float, most: float) -> None:
        self.columns += [column for column, _ in terms]
        self.values += [value for _, value in terms]
        self.starts.append(len(self.columns))
        self.lows.append(least)
        self.highs.append(most)

    def solve(self, gap: float, improvements: int) -> NDArray[np.float64] | None:
        """Values of the columns, None when none that keep all rows were found.

        Parameters: `gap`, how far from the best cost the answer may be, relative; `improvements`, so many times a found
        answer is improved at most.
        """
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = len(self.cost), len(self.lows)
        lp.col_cost_ = np.array(self.cost)
        lp.col_lower_, lp.col_upper_ = np.array(self.lower), np.array(self.upper)
        lp.row_lower_, lp.row_upper_ = np.array(self.lows), np.array(self.highs)
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_ = np.array(self.starts, dtype=np.int32)
        lp.a_matrix_.index_ = np.array(self.columns, dtype=np.int32)
        lp.a_matrix_.value_ = np.array(self.values)
        kinds = highspy.HighsVarType
        lp.integrality_ = [kinds.kInteger if whole else kinds.kContinuous for whole in self.whole]
        solver = _Solver()  # type: ignore[no-untyped-call]
        for name, value in _OPTIONS.items():
            solver.setOptionValue(name, value)
        solver.setOptionValue("mip_rel_gap", gap)
        solver.setOptionValue("mip_max_improving_sols", improvements)
        solver.passModel(lp)
        solver.run()
        if solver.getInfo().primal_solution_status != highspy.SolutionStatus.kSolutionStatusFeasible:
            return None
        return np.array(solver.getSolution().col_value)


_OPTIONS: Mapping[str, bool | int | float | str] = {
    "output_flag": False,
    "threads": 1,
    "parallel": "off",
    "random_seed": 1,
    "mip_max_nodes": 400,  # a count and no time, so that the answer does not depend on the machine
    "mip_feasibility_tolerance": 1e-7,
}
