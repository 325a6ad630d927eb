"""What a choice of homes depends on, its limits as a matrix, and which limits contradict."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.sparse import csr_matrix, hstack, vstack

from linemap.errors import LimitsError
from linemap.printing import counted

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

NO_CAP = np.iinfo(np.int64).max
TOLERANCE = 1e-9


@dataclass(frozen=True)
class GroupRule:
    """Floors and caps over groups of homes that do not overlap.

    Attributes
    ----------
    name : str
        How a message names the rule.
    codes : array of int, shape (n_homes,)
        Group of each home; -1 for none.
    floor, cap : array of int, shape (n_groups,)
        Fewest and most homes [homes] of each group; ``NO_CAP`` where there is no cap.
    """

    name: str
    codes: Ints
    floor: Ints
    cap: Ints


@dataclass(frozen=True)
class Problem:
    """Everything that the choice depends on.

    Attributes
    ----------
    value : array of float, shape (n_homes,)
        Worth of taking each home, not negative.
    budget : float
        Most that the costs of the homes taken may add up to.
    rules : sequence of GroupRule
        Floors and caps.
    cost : array of float, shape (n_homes,), optional
        Positive; 1 for each home when left out.
    load, load_limit : array of float and float, optional
        A second budget, e.g. the returns that a laboratory can take.
    budget_name, load_name : str
        How a message names the two budgets; by its number where the first has no name.
    order : array of int, optional
        Rank of each home among equals; position when left out.
    """

    value: Floats
    budget: float
    rules: Sequence[GroupRule] = ()
    cost: Floats | None = None
    load: Floats | None = None
    load_limit: float = np.inf
    budget_name: str = ""
    load_name: str = "the capacity of the laboratory"
    order: Ints | None = None
    costs: Floats = field(init=False)

    def __post_init__(self) -> None:
        costs = np.ones(len(self.value)) if self.cost is None else self.cost
        object.__setattr__(self, "costs", costs)


def raise_if_impossible(problem: Problem) -> None:
    """Name the limits in conflict, if even parts of homes cannot meet the floors.

    Raises
    ------
    LimitsError
        With the names of the limits that hold each other up: those with a price in the linear
        program that falls short of the floors by as little as it can.
    """
    matrix, right, names = limit_matrix(problem)
    floors = np.flatnonzero(right < 0)
    if not len(floors):
        return
    homes = matrix.shape[1]
    short = csr_matrix(
        (-np.ones(len(floors)), (floors, np.arange(len(floors)))),
        shape=(len(right), len(floors)),
    )
    upper = np.concatenate([np.ones(homes), np.full(len(floors), np.inf)])
    answer = linprog(
        np.concatenate([np.zeros(homes), np.ones(len(floors))]),
        hstack([matrix, short]),
        right,
        bounds=np.column_stack([np.zeros(len(upper)), upper]),
        method="highs",
    )
    if answer.status != 0 or answer.fun < 1e-6:
        return
    priced = np.abs(answer.ineqlin.marginals) > TOLERANCE
    conflict = dict.fromkeys(name for name, on in zip(names, priced, strict=True) if on)
    raise LimitsError(
        f"these limits cannot hold together: {'; '.join(conflict)}. The floors are short by "
        f"{counted(int(np.ceil(answer.fun - 1e-6)), 'kit')}. Lower one of the floors, or raise the "
        "number of kits or the cap."
    )


def limit_matrix(problem: Problem) -> tuple[csr_matrix, Floats, list[str]]:
    """Return the limits as a matrix.

    Returns
    -------
    matrix : csr_matrix, shape (n_rows, n_homes)
    right : array of float, shape (n_rows,)
        ``matrix @ taken <= right`` holds for a list that keeps every limit.
    names : list of str
        Limit that each row belongs to.
    """
    homes = len(problem.value)
    blocks = [csr_matrix(problem.costs.reshape(1, -1))]
    right = [np.array([problem.budget])]
    plain = f"{problem.budget:g} {'kit' if problem.budget == 1 else 'kits'} in all"
    names = [problem.budget_name or plain]
    if problem.load is not None and np.isfinite(problem.load_limit):
        blocks.append(csr_matrix(problem.load.reshape(1, -1)))
        right.append(np.array([problem.load_limit]))
        names.append(problem.load_name)
    for rule in problem.rules:
        members = np.flatnonzero(rule.codes >= 0)
        groups = rule.codes[members]
        block = csr_matrix(
            (np.ones(len(members)), (groups, members)), shape=(len(rule.floor), homes)
        )
        sizes = np.bincount(groups, minlength=len(rule.floor))
        capped, floored = rule.cap < sizes, rule.floor > 0
        blocks += [block[capped], -block[floored]]
        right += [rule.cap[capped].astype(float), -rule.floor[floored].astype(float)]
        names += [rule.name] * int(capped.sum() + floored.sum())
    return csr_matrix(vstack(blocks)), np.concatenate(right), names
