"""The choice under limits: against brute force, against its linear bound, and its refusals."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from linemap.errors import LimitsError
from linemap.outreach.choice import linear_bound, solve, solve_exactly, take_greedily
from linemap.outreach.problem import NO_CAP, GroupRule, Problem, limit_matrix


def _is_allowed(problem: Problem, taken: np.ndarray) -> bool:
    if problem.costs[taken].sum() > problem.budget + 1e-9:
        return False
    if problem.load is not None and problem.load[taken].sum() > problem.load_limit + 1e-9:
        return False
    for rule in problem.rules:
        inside = rule.codes[taken & (rule.codes >= 0)]
        counts = np.bincount(inside, minlength=len(rule.floor))
        if (counts < rule.floor).any() or (counts > rule.cap).any():
            return False
    return True


def _best_by_trying_all(problem: Problem) -> float | None:
    """Try every subset of the homes."""
    values = [
        problem.value[np.array(taken)].sum()
        for taken in product([False, True], repeat=len(problem.value))
        if _is_allowed(problem, np.array(taken))
    ]
    return max(values) if values else None


@st.composite
def _problems(draw: st.DrawFn, *, costs: bool = True) -> Problem:
    homes = draw(st.integers(1, 9))
    numbers = st.lists(st.integers(0, 20), min_size=homes, max_size=homes)
    rules = []
    for groups in (3, 2):
        codes = draw(st.lists(st.integers(-1, groups - 1), min_size=homes, max_size=homes))
        floor = draw(st.lists(st.integers(0, 2), min_size=groups, max_size=groups))
        extra = draw(st.lists(st.integers(0, 3), min_size=groups, max_size=groups))
        rules.append(
            GroupRule(f"rule of {groups}", np.array(codes), np.array(floor), np.add(floor, extra))
        )
    cost = 1.0 + np.array(draw(numbers)) % 4 if costs else None
    loaded = draw(st.booleans())
    return Problem(
        value=np.array(draw(numbers)) / 4.0,
        budget=draw(st.integers(0, 12)),
        rules=rules,
        cost=cost,
        load=np.array(draw(numbers)) / 20 if loaded else None,
        load_limit=draw(st.floats(0, 3)) if loaded else np.inf,
    )


@settings(max_examples=80, deadline=None)
@given(_problems())
def test_the_exact_solve_equals_brute_force(problem: Problem) -> None:
    best = _best_by_trying_all(problem)
    if best is None:
        with pytest.raises(LimitsError):
            solve_exactly(problem)
        return
    solution = solve_exactly(problem)
    assert _is_allowed(problem, solution.taken)
    assert solution.value == pytest.approx(best, abs=1e-6)


@settings(max_examples=80, deadline=None)
@given(_problems())
def test_the_quick_solve_keeps_every_limit_and_stays_below_its_bound(problem: Problem) -> None:
    best = _best_by_trying_all(problem)
    if best is None:
        with pytest.raises(LimitsError):
            solve(problem)
        return
    solution = solve(problem)
    assert _is_allowed(problem, solution.taken)
    assert solution.value <= best + 1e-6 <= solution.bound + 2e-6


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(0, 50), min_size=1, max_size=12), st.integers(0, 14), st.data())
def test_greedy_is_optimal_with_floors_that_do_not_overlap(
    values: list[int], budget: int, data: st.DataObject
) -> None:
    """With unit costs and one set of disjoint floors, greedy is exact (a matroid; textbook)."""
    codes = np.array([data.draw(st.integers(0, 2)) for _ in values])
    floor = np.array([min(1, (codes == g).sum()) for g in range(3)])
    problem = Problem(
        np.array(values) / 7.0, budget, [GroupRule("one", codes, floor, np.full(3, NO_CAP))]
    )
    best = _best_by_trying_all(problem)
    if best is None:
        return
    taken = take_greedily(problem, problem.value)
    assert problem.value[taken].sum() == pytest.approx(best)


def _big(count: int, seed: int, *, loaded: bool = False) -> Problem:
    rng = np.random.default_rng(seed)
    area = rng.integers(0, 40, count)
    low = np.where(area < 13, 0, -1)
    rent = np.where(rng.random(count) < 0.4, 0, -1)
    segment = rng.integers(0, count // 13, count)
    chance = rng.beta(4, 8, count)
    return Problem(
        value=rng.beta(1, 4, count) * chance,
        budget=400,
        rules=[
            GroupRule("areas", area, np.full(40, 2), np.full(40, 30)),
            GroupRule("renters", rent, np.array([180]), np.array([NO_CAP])),
            GroupRule("low", low, np.array([160]), np.array([NO_CAP])),
            GroupRule("segments", segment, np.zeros(count // 13, int), np.full(count // 13, 2)),
        ],
        load=chance if loaded else None,
        load_limit=80.0 if loaded else np.inf,
    )


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("loaded", [False, True])
def test_large_lists_meet_every_limit_within_one_percent_of_the_bound(
    seed: int, loaded: bool
) -> None:
    problem = _big(20_000, seed, loaded=loaded)
    solution = solve(problem)
    assert _is_allowed(problem, solution.taken)
    assert solution.gap < 0.01
    assert solution.value <= solution.bound * (1 + 1e-9)


@pytest.mark.parametrize("start", ["none", "good", "poor"])
def test_the_bound_over_chosen_columns_is_the_bound_over_all(start: str) -> None:
    """Against scipy's solver on the whole relaxation at once, wherever the search starts."""

    problem = _big(6_000, 3)
    good = take_greedily(problem, problem.value)
    poor = np.random.default_rng(5).permutation(good)
    near = {"none": None, "good": good, "poor": poor}[start]
    matrix, right, _ = limit_matrix(problem)
    whole = linprog(-problem.value, matrix, right, bounds=(0, 1), method="highs")
    assert linear_bound(problem, near)[0] == pytest.approx(-whole.fun, rel=1e-7)


def test_a_million_homes_still_solve() -> None:
    problem = _big(1_000_000, 1)
    solution = solve(problem)
    assert _is_allowed(problem, solution.taken)
    assert solution.gap < 0.01


def test_conflicting_limits_are_named_and_others_are_not() -> None:
    codes = np.array([0, 0, 1, 1, 2, 2])
    rules = [
        GroupRule("the floor of 2 in each area", codes, np.full(3, 2), np.full(3, NO_CAP)),
        GroupRule("the cap per street", codes, np.zeros(3, int), np.full(3, 2)),
    ]
    with pytest.raises(LimitsError) as caught:
        solve(Problem(np.arange(6.0), 5, rules))
    message = str(caught.value)
    assert "the floor of 2 in each area" in message
    assert "5 kits in all" in message
    assert "the cap per street" not in message
    assert "short by 1 kit" in message


def test_floor_above_cap_is_named() -> None:
    codes = np.zeros(5, int)
    rules = [
        GroupRule("floor A", codes, np.array([4]), np.array([NO_CAP])),
        GroupRule("cap B", codes, np.array([0]), np.array([2])),
    ]
    with pytest.raises(LimitsError, match=r"floor A; cap B.*short by 2"):
        solve(Problem(np.ones(5), 5, rules))


def test_floors_that_only_an_overlap_can_meet_are_met() -> None:
    """Three floors of one, two kits: only the home that is in two groups will do."""
    first, second = np.array([0, -1, 0, -1]), np.array([-1, 0, 0, -1])
    third = np.array([-1, -1, -1, 0])
    one, free = np.array([1]), np.array([NO_CAP])
    rules = [GroupRule(n, c, one, free) for n, c in zip("abc", (first, second, third), strict=True)]
    solution = solve(Problem(np.array([9.0, 9.0, 1.0, 1.0]), 2, rules))
    assert solution.taken.tolist() == [False, False, True, True]


def test_ties_fall_to_the_order_given() -> None:
    problem = Problem(np.ones(4), 2, order=np.array([3, 1, 2, 0]))
    assert solve(problem).taken.tolist() == [False, True, False, True]
