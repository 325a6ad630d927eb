"""Choose homes under a budget, floors and caps: greedy, with a linear bound, and exact.

The choice is an integer program: take or leave each home, the most value in all, while the
costs stay within the budget, the load within its limit, and each rule's groups between their
floors and caps. Greedy by value per cost answers in a moment; the linear relaxation says how
far from the best it can be at most; the integer program is exact for small cases.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from linemap.errors import LimitsError
from linemap.outreach.problem import (
    TOLERANCE,
    Bools,
    Floats,
    Ints,
    Problem,
    limit_matrix,
    raise_if_impossible,
)

_GOOD_ENOUGH = 2e-3
_MOST_COLUMNS_AT_ONCE = 50_000
_CHUNK = 20_000


@dataclass(frozen=True)
class Solution:
    """Homes taken, their value, the best that any choice could reach, and the gap between.

    Attributes
    ----------
    taken : array of bool, shape (n_homes,)
    value, bound : float
        Value of the choice and upper bound of every choice.
    gap : float
        ``1 - value / bound`` [share].
    """

    taken: Bools
    value: float
    bound: float
    gap: float


def solve(problem: Problem) -> Solution:
    """Choose greedily, bound the choice, and mend it with the bound's prices if that helps.

    Parameters
    ----------
    problem : Problem

    Returns
    -------
    Solution

    Raises
    ------
    LimitsError
        If no choice meets every floor and cap; the message names the limits in conflict.

    References
    ----------
    .. [1] G. B. Dantzig, "Discrete-variable extremum problems", Operations Research 5 (1957),
       on value per cost and the linear bound. From memory.

    Examples
    --------
    >>> from linemap.outreach.problem import GroupRule
    >>> rule = GroupRule("one each", np.array([0, 0, 1]), np.array([1, 1]), np.array([9, 9]))
    >>> solve(Problem(np.array([5.0, 4.0, 1.0]), 2, [rule])).taken.tolist()
    [True, False, True]
    """
    taken = take_greedily(problem, problem.value / problem.costs)
    if not _floors_met(problem, taken):
        raise_if_impossible(problem)
    bound, share, worth = linear_bound(problem, taken)
    loaded = problem.load is not None and np.isfinite(problem.load_limit)
    short = not _floors_met(problem, taken)
    if short or loaded or problem.value[taken].sum() < (1 - _GOOD_ENOUGH) * bound:
        second = take_greedily(problem, share, worth / problem.costs)
        if _floors_met(problem, second) and (
            short or problem.value[second].sum() > problem.value[taken].sum()
        ):
            taken, short = second, False
    if short:
        return solve_exactly(problem)
    value = float(problem.value[taken].sum())
    return Solution(taken, value, bound, _gap(value, bound))


def take_greedily(problem: Problem, *scores: Floats) -> Bools:
    """Take homes in order of their scores: first for the floors, then up to the budget.

    The rules are served in the order given: put those with small groups first. Homes that
    would break a cap, the budget or the load are passed over. Floors may stay unmet.

    Parameters
    ----------
    problem : Problem
    *scores : array of float, shape (n_homes,)
        Highest first, later ones break ties; then ``problem.order`` does.

    Returns
    -------
    array of bool, shape (n_homes,)
    """
    ties = np.arange(len(problem.value)) if problem.order is None else problem.order
    ranking = np.lexsort((ties, *(-np.round(score, 9) for score in reversed(scores))))
    rules = [(r.codes, r.floor.copy(), r.cap.copy()) for r in problem.rules]
    taken = np.zeros(len(problem.value), dtype=bool)
    room, load_room = float(problem.budget), float(problem.load_limit)
    load = problem.load

    def fits(home: int) -> bool:
        if problem.costs[home] > room + TOLERANCE:
            return False
        if load is not None and load[home] > load_room + TOLERANCE:
            return False
        return all(codes[home] < 0 or cap[codes[home]] > 0 for codes, _, cap in rules)

    def take(home: int) -> None:
        nonlocal room, load_room
        taken[home] = True
        room -= float(problem.costs[home])
        if load is not None:
            load_room -= float(load[home])
        for codes, floor, cap in rules:
            if codes[home] >= 0:
                floor[codes[home]] -= 1
                cap[codes[home]] -= 1

    for codes, floor, _ in rules:
        if not (floor > 0).any():
            continue
        wanted = codes[ranking] >= 0
        wanted[wanted] = floor[codes[ranking][wanted]] > 0
        for home in ranking[wanted].tolist():
            if floor[codes[home]] > 0 and not taken[home] and fits(home):
                take(home)
                if not (floor > 0).any():
                    break
    for start in range(0, len(ranking), _CHUNK):
        part = ranking[start : start + _CHUNK]
        possible = ~taken[part] & (problem.value[part] > 0)
        possible &= problem.costs[part] <= room + TOLERANCE
        if load is not None:
            possible &= load[part] <= load_room + TOLERANCE
        for codes, _, cap in rules:
            possible &= (codes[part] < 0) | (cap[codes[part]] > 0)
        for home in part[possible].tolist():
            if fits(home):
                take(home)
    return taken


def linear_bound(problem: Problem, near: Bools | None = None) -> tuple[float, Floats, Floats]:
    """Solve the linear relaxation: an upper bound of every choice.

    Only homes in doubt become columns: those plainly on the list are held there, the others are
    left out, and both are priced by the dual values. Whatever turns out to be on the wrong side
    becomes a column too, so that the bound is that of all homes.

    Parameters
    ----------
    problem : Problem
    near : array of bool, shape (n_homes,), optional
        A good choice to start from; the answer does not depend on it, the time does.

    Returns
    -------
    bound : float
    share : array of float, shape (n_homes,)
        How much of each home the relaxation takes, 0 to 1.
    worth : array of float, shape (n_homes,)
        Value of each home less the price of what it uses up.

    Raises
    ------
    LimitsError
        If even parts of homes cannot meet the limits.
    """
    matrix, right, _ = limit_matrix(problem)
    sure = _plainly_taken(problem, near)
    columns = _first_columns(problem) & ~sure
    while True:
        inside = np.flatnonzero(columns)
        # Without presolve: it takes time quadratic in the homes where few rows hold many of them.
        answer = linprog(
            -problem.value[inside],
            matrix[:, inside],
            right - matrix @ sure.astype(float),
            bounds=(0, 1),
            method="highs-ds",
            options={"presolve": False},
        )
        if answer.status == 2 and not columns.all():
            columns[:], sure[:] = True, False
            continue
        if answer.status != 0:
            raise_if_impossible(problem)
            raise LimitsError(f"the limits cannot be met together: {answer.message}")
        worth = problem.value + matrix.T @ answer.ineqlin.marginals
        amiss = np.where(sure, -worth, np.where(columns, 0.0, worth))
        wrong = int((amiss > 1e-7 * max(1.0, problem.value.max(initial=0.0))).sum())
        if not wrong:
            share = sure.astype(float)
            share[inside] = answer.x
            return float(problem.value[sure].sum() - answer.fun), share, worth
        worst = np.argsort(-amiss, kind="stable")[: min(wrong, _MOST_COLUMNS_AT_ONCE)]
        columns[worst], sure[worst] = True, False


def solve_exactly(problem: Problem, *, nodes: int = 20_000) -> Solution:
    """Solve the integer program to the end; meant for up to a few thousand homes.

    The search is cut off by a count of nodes, not by the clock, so that it ends alike on any
    machine.

    Parameters
    ----------
    problem : Problem
    nodes : int
        Most branches to search; the best choice by then is returned with its gap.

    Returns
    -------
    Solution

    Raises
    ------
    LimitsError
        If no choice meets the limits, or none was found within the nodes.
    """
    matrix, right, _ = limit_matrix(problem)
    answer = milp(
        -problem.value,
        constraints=LinearConstraint(matrix, -np.inf, right),
        integrality=np.ones(len(problem.value)),
        bounds=Bounds(0, 1),
        options={"mip_rel_gap": 0.0, "node_limit": nodes},
    )
    if answer.x is None:
        raise_if_impossible(problem)
        raise LimitsError(
            "no list meets all limits at once. Lower a floor, or raise outreach.kits or a cap."
        )
    taken = answer.x > 0.5
    value = float(problem.value[taken].sum())
    bound = max(value, float(-answer.mip_dual_bound))
    return Solution(taken, value, bound, _gap(value, bound))


def _first_columns(problem: Problem) -> Bools:
    """Return the homes most likely to matter: the best of all and of each group with a floor."""
    homes = len(problem.value)
    columns = np.zeros(homes, dtype=bool)
    best = np.argsort(-problem.value / problem.costs, kind="stable")
    columns[best[: max(2000, int(1.5 * problem.budget / problem.costs.min(initial=1.0)))]] = True
    for rule in problem.rules:
        ranked = best[rule.codes[best] >= 0]
        groups = rule.codes[ranked]
        columns[ranked[_place_in_group(groups) < 1.5 * rule.floor[groups]]] = True
    return columns


def _plainly_taken(problem: Problem, near: Bools | None) -> Bools:
    """Return the better half of a choice, by value per cost."""
    sure = np.zeros(len(problem.value), dtype=bool)
    if near is not None and near.any():
        ratio = problem.value / problem.costs
        sure = near & (ratio > np.median(ratio[near]))
    return sure


def _place_in_group(groups: Ints) -> Ints:
    """Return each member's place (0, 1, ...) within its group, in the order given."""
    order = np.argsort(groups, kind="stable")
    ordered = groups[order]
    starts = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]]) if len(groups) else order
    places = np.empty(len(groups), dtype=np.int64)
    places[order] = np.arange(len(groups)) - np.repeat(starts, np.diff(np.r_[starts, len(groups)]))
    return places


def _floors_met(problem: Problem, taken: Bools) -> bool:
    return all(
        (_counts(rule.codes[taken], len(rule.floor)) >= rule.floor).all() for rule in problem.rules
    )


def _counts(codes: Ints, groups: int) -> Ints:
    return np.bincount(codes[codes >= 0], minlength=groups)


def _gap(value: float, bound: float) -> float:
    return max(0.0, 1 - value / bound) if bound > 0 else 0.0
