"""Published figures and independent computations against the joint model's arithmetic."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import sparse
from scipy.special import expit

from linemap.errors import ArgumentError
from linemap.features import PlaceGraph
from linemap.published import fact
from linemap.scoring import Evidence, LineModel, log_odds, probability, yes_no_weights
from linemap.scoring.draws import draw_field
from linemap.scoring.evidence import describe_homes
from linemap.scoring.field import FieldProblem, fit_field
from linemap.scoring.place import PlaceField
from linemap.scoring.sides import TWO
from linemap.scoring.sources import Sources
from linemap.scoring.witnesses import RecordWitness

# ---------------------------------------------------------------- odds of a yes/no test


@pytest.mark.parametrize(
    ("sensitivity", "specificity", "prior", "positive", "negative"),
    [
        (0.81, 0.90, 0.05, 0.299, 0.989),
        (0.81, 0.90, 0.20, 0.669, 0.950),
        (0.81, 0.90, 0.50, 0.890, 0.826),
        (0.73, 0.95, 0.20, 0.785, 0.934),
    ],
)
def test_predictive_values_of_published_tests(
    sensitivity: float, specificity: float, prior: float, positive: float, negative: float
) -> None:
    """Smart et al. 2023, Water Research: 73 % and 95 % for the fully flushed sample. The
    predictive values are arithmetic: Bayes' rule on these shares, 81 % and 90 % beside them.
    """
    raised, lowered = yes_no_weights(sensitivity, specificity)
    assert round(float(probability(log_odds(prior) + raised)), 3) == positive
    assert round(1 - float(probability(log_odds(prior) + lowered)), 3) == negative


def test_likelihood_ratios_of_the_flushed_sample() -> None:
    """Smart et al. 2023, Water Research; .73 / .05 = 14.6 and .27 / .95 = .284 (arithmetic)."""
    raised, lowered = yes_no_weights(
        fact("water.reading.flushed_sensitivity").value,
        fact("water.reading.flushed_specificity").value,
    )
    assert np.exp(raised) == pytest.approx(14.6, abs=0.05)
    assert np.exp(lowered) == pytest.approx(0.284, abs=0.0005)


@pytest.mark.parametrize("share", [0.0, 1.0, -0.1, 1.5, float("nan")])
def test_a_perfect_or_impossible_test_is_refused(share: float) -> None:
    with pytest.raises(ArgumentError):
        yes_no_weights(share, 0.9)
    with pytest.raises(ArgumentError):
        yes_no_weights(0.9, share)


# ---------------------------------------------------------------- place against a dense process


@pytest.fixture
def lattice() -> tuple[sparse.csr_matrix, np.ndarray]:
    """A bent lattice of 6 x 6 places and the dense matrix of its link lengths [m]."""
    rng = np.random.default_rng(4)
    column, row = (axis.ravel() for axis in np.meshgrid(np.arange(6), np.arange(6)))
    x, y = 100.0 * column + rng.normal(0, 12, 36), 100.0 * row + rng.normal(0, 12, 36)
    beside = np.abs(column[:, None] - column) + np.abs(row[:, None] - row) == 1
    length = np.where(beside, np.hypot(x[:, None] - x, y[:, None] - y), 0.0)
    return sparse.csr_matrix(length), length


def dense_covariance(length: np.ndarray, field: PlaceField) -> np.ndarray:
    """Covariance of the place effects, the precision's root written out place by place."""
    n = len(length)
    root = np.zeros((n, n))
    for i in range(n):
        root[i, i] += 8.0 / field.range_m**2
        for j in range(n):
            if length[i, j] > 0:
                weight = 2.0 / 3.0 / length[i, j] ** 2
                root[i, i] += weight
                root[i, j] -= weight
    return np.linalg.inv(root @ root) / field.scale


def place_problem(
    field: PlaceField, n: int = 400, seed: int = 9
) -> tuple[FieldProblem, np.ndarray]:
    """Homes whose line is known, on top of log-odds that are known: logistic regression."""
    rng = np.random.default_rng(seed)
    unit = rng.integers(0, field.adjacency.shape[0], n)
    offset = rng.normal(-0.5, 1.0, n)
    lead = rng.random(n) < expit(offset + np.sin(unit))
    problem = FieldProblem(
        x=np.zeros((n, 0), dtype=np.float32),
        penalty=np.zeros((0, 0)),
        unit=unit,
        place=field,
        weight=np.where(lead, 60.0, -60.0),
        kind=np.ones(n, dtype=int),
        offset=offset,
    )
    return problem, lead.astype(float)


def test_variance_of_the_place_effect_is_as_asked(
    lattice: tuple[sparse.csr_matrix, np.ndarray],
) -> None:
    """Mean of the diagonal of the dense inverse; the scale is a stochastic trace, hence 10 %."""
    field = PlaceField(lattice[0], sd=1.3, range_m=300.0)
    covariance = dense_covariance(lattice[1], field)
    assert np.diag(covariance).mean() == pytest.approx(1.3**2, rel=0.1)


def test_place_mode_is_that_of_a_dense_gaussian_process(
    lattice: tuple[sparse.csr_matrix, np.ndarray],
) -> None:
    """Rasmussen and Williams 2006, Gaussian Processes for Machine Learning, algorithm 3.1
    (from memory): Newton steps on a dense covariance, with exact curvature.
    """
    field = PlaceField(lattice[0], sd=1.0, range_m=300.0)
    problem, lead = place_problem(field)
    fit = fit_field(problem, steps=400, tolerance=1e-13)
    covariance = dense_covariance(lattice[1], field)
    units = np.eye(36)[problem.unit]
    u = np.zeros(36)
    for _ in range(50):
        p = expit(problem.offset + units @ u)
        curvature = units.T @ (units * (p * (1 - p))[:, None])
        right = curvature @ u + units.T @ (lead - p)
        u = covariance @ np.linalg.solve(np.eye(36) + curvature @ covariance, right)
    assert np.ptp(u) > 0.5
    assert np.abs(fit.u - u).max() < 1e-6


def test_place_posterior_covariance_is_that_of_a_dense_gaussian_process(
    lattice: tuple[sparse.csr_matrix, np.ndarray],
) -> None:
    """The same book, equation 3.27 (from memory): K - K (K + W^-1)^-1 K, and draws of it."""
    field = PlaceField(lattice[0], sd=1.0, range_m=300.0)
    problem, _ = place_problem(field)
    fit = fit_field(problem)
    k = dense_covariance(lattice[1], field)
    w = np.bincount(problem.unit, weights=fit.information, minlength=36)
    dense = k - k @ np.linalg.solve(k + np.diag(1 / w), k)
    assert np.abs(fit.lu.solve(np.eye(36)) - dense).max() < 1e-6
    draws = draw_field(problem, fit, n_draws=20_000, rng=np.random.default_rng(1)).u
    assert np.abs(np.cov(draws) - dense).max() < 0.05 * np.diag(dense).max()


# ---------------------------------------------------------------- error rates of witnesses


def dawid_skene_shares(code: np.ndarray, soft: np.ndarray, n_codes: int) -> np.ndarray:
    """Dawid and Skene 1979, equation 2.3 (from memory): expected counts over expected homes."""
    out = np.zeros((soft.shape[1], n_codes))
    for state in range(soft.shape[1]):
        for said in range(n_codes):
            out[state, said] = soft[code == said, state].sum() / soft[:, state].sum()
    return out


def plain_features(n: int) -> pd.DataFrame:
    """Homes of one era in one area."""
    return pd.DataFrame(
        {
            "x": np.arange(n) * 20.0,
            "y": 0.0,
            "year_built": 1940.0,
            "neighbour_year": 1940.0,
            "land_use": "single family",
            "area_id": "N1",
        },
        index=pd.Index([f"P{i:06d}" for i in range(n)], name="parcel_id"),
    )


def soft_labels(n: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Lines, and uncertain labels of them, the second column lead."""
    lead = rng.random(n) < 0.35
    p = expit(np.where(lead, 1.0, -1.0) + rng.normal(0, 1.0, n))
    return lead, np.column_stack([1 - p, p])


def test_answer_shares_are_dawid_and_skenes() -> None:
    """Apart from the stated shares, which may count for no more than 100 homes."""
    rng = np.random.default_rng(3)
    n = 20_000
    lead, soft = soft_labels(n, rng)
    words = np.array(["lead", "galvanized", "copper", "plastic", "dont_know"])
    truth = np.array([[0.02, 0.08, 0.55, 0.05, 0.30], [0.45, 0.05, 0.10, 0.05, 0.35]])
    code = (rng.random(n)[:, None] > truth.cumsum(axis=1)[lead.astype(int)]).sum(axis=1)
    features = plain_features(n)
    answers = pd.DataFrame(
        {"parcel_id": features.index, "entry_pipe": words[code], "line_replaced": None}
    )
    witness = Sources(Evidence(answers=answers), describe_homes(features)).answers
    witness.learn(soft)
    learned = witness.describe()["entry_pipe"]
    ours = np.array([learned[word] for word in words]).T
    theirs = dawid_skene_shares(code, soft, 5)
    shrinkage = 100.0 / (100.0 + soft.sum(axis=0))
    assert (np.abs(ours - theirs) <= shrinkage[:, None] + 5e-5).all()
    assert np.abs(theirs - witness.default["entry_pipe"]).max() > 10 * shrinkage.max()


def test_record_errors_are_dawid_and_skenes() -> None:
    """Homes of one era, area and chance of lead: the error curve is a level, .16 and .05 here."""
    rng = np.random.default_rng(8)
    n = 20_000
    lead, soft = soft_labels(n, rng)
    says = np.where(lead, rng.random(n) > 0.05, rng.random(n) < 0.16)
    features = plain_features(n)
    said = np.where(says, "lead", "copper")
    lines = pd.DataFrame(
        {"parcel_id": features.index, "utility_material": said, "customer_material": said}
    )
    witness = RecordWitness(lines, describe_homes(features), TWO)
    witness.learn(soft)
    theirs = dawid_skene_shares(says.astype(int), soft, 2)
    learned = witness.describe()
    assert learned["false_lead"] == pytest.approx(theirs[0, 1], abs=0.004)
    assert learned["missed_lead"] == pytest.approx(theirs[1, 0], abs=0.004)


# ---------------------------------------------------------------- Bayes by enumeration


def tiny_city(sides_differ: bool) -> tuple[pd.DataFrame, PlaceGraph, Evidence]:
    """96 homes on eight short streets in one line, with records and a few checks."""
    rng = np.random.default_rng(2)
    n, units = 96, 8
    features = plain_features(n)
    features["year_built"] = 1900.0 + np.arange(n) % 80
    link = np.zeros((units, units))
    for k in range(units - 1):
        link[k, k + 1] = link[k + 1, k] = 240.0
    unit = np.arange(n) // 12
    at = np.arange(units) * 240.0 + 110.0
    graph = PlaceGraph(unit, at, 0.0 * at, sparse.csr_matrix(link), "street segments")
    lead = rng.random((n, 2)) < expit((1940 - features["year_built"].to_numpy()) / 12)[:, None]
    if not sides_differ:
        lead[:, 1] = lead[:, 0]
    said = np.where(lead, "lead", "copper").astype(object)
    wrong = rng.random(n) < 0.1
    said[wrong] = "copper"
    said[::9] = "unknown"
    if sides_differ:
        said[::5, 1] = "unknown"
    lines = pd.DataFrame(
        {
            "parcel_id": features.index,
            "utility_material": said[:, 0],
            "customer_material": said[:, 1],
        }
    )
    seen = []
    for i in range(0, n, 7):
        sides = (i % 2,) if sides_differ and lead[i].any() else (0, 1)
        seen += [(i, side) for side in sides]
    checks = pd.DataFrame(
        {
            "parcel_id": [features.index[i] for i, _ in seen],
            "side": ["utility" if side == 0 else "customer" for _, side in seen],
            "checked_on": pd.Timestamp("2024-05-01"),
            "material": ["lead" if lead[i, side] else "copper" for i, side in seen],
            "why": "random",
        }
    )
    return features, graph, Evidence(lines=lines, checks=checks)


@pytest.mark.parametrize("sides_differ", [False, True])
def test_weights_are_bayes_by_enumeration(sides_differ: bool) -> None:
    """Every state of every home is written out: prior times what record and checks make of it."""
    features, graph, evidence = tiny_city(sides_differ)
    model = LineModel(rounds=2, folds=3, draws=40).fit(features, graph, evidence)
    assert model.describe()["states"] == (4 if sides_differ else 2)
    table = model.score()
    record, pattern = model.sources_.record, model.sources_.pattern
    error = model.describe()["witnesses"]["check"]["error"]
    rate = {
        name: dict(zip(features.index[record.heard], values, strict=True))
        for name, values in zip(("false", "missed"), record.rates(), strict=True)
    }
    names = record.names[:, 1:] / record.names[:, 1:].sum(axis=1, keepdims=True)
    lines = evidence.lines.set_index("parcel_id")
    spoken = evidence.checks.groupby("parcel_id")
    for at, home in enumerate(features.index):
        before = expit(table.loc[home, "weight_prior"] + table.loc[home, "weight_place"])
        share = pattern.share_[model.sources_.homes.era[at]]
        chance = [1 - before, *(before * share)]
        said = lines.loc[home, ["utility_material", "customer_material"]].tolist()
        for k, state in enumerate(model.sources_.states):
            known = [word != "unknown" for word in said]
            if any(known):
                shows = any(truth and seen for truth, seen in zip(state, known, strict=True))
                claims = "lead" in said
                missed, false = rate["missed"][home], rate["false"][home]
                yes = 1 - missed if shows else false
                chance[k] *= yes if claims else 1 - yes
                if claims and all(known):
                    named = (said[0] == "lead") + 2 * (said[1] == "lead")
                    chance[k] *= names[k, named - 1]
            if home in spoken.groups:
                for side, material in spoken.get_group(home)[["side", "material"]].to_numpy():
                    right = state[0 if side == "utility" else 1] == (material == "lead")
                    chance[k] *= 1 - error if right else error
        posterior = sum(chance[1:]) / sum(chance)
        assert table.loc[home, "p_lead"] == pytest.approx(posterior, abs=1e-9)
