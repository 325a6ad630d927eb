"""Each source earns its place, and the options of the model do what they say.

All against the truth of invented cities: the generator's own lines, its column
``needs_replacement``, and the range of its hidden main contracts. Bounds were set after a look at
seeds 1 to 8, of which 1 to 4 run here; each says what the eight showed.
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit
from sklearn.metrics import roc_auc_score

from linemap.errors import ArgumentError
from linemap.features import build_features, build_graph
from linemap.scoring import Evidence, LineModel
from linemap.water import check_kits
from synthetic_city import figures, make_city

pytestmark = pytest.mark.xdist_group("sources")  # cities made once, by one worker

PARCELS, SEEDS = 6_000, (1, 2, 3, 4)
SOURCES = ("lines", "checks", "pairs", "answers")


class Town:
    """A city with its features and evidence, fitted when asked."""

    def __init__(self, seed):
        self.city = make_city(PARCELS, seed=seed)
        self.features = build_features(self.city.parcels, self.city.areas)
        self.graph = build_graph(self.city.parcels)
        answers = self.city.answers.merge(self.city.kits[["kit_id", "parcel_id"]], on="kit_id")
        self.told = Evidence(
            self.city.lines.rename_axis("parcel_id").reset_index(),
            self.city.checks,
            check_kits(self.city.kits, self.city.samples),
            answers,
        )
        self.unknown = self.city.truth["unknown"].to_numpy(dtype=bool)

    def fit(self, *, without=None, **options):
        told = self.told
        if without:
            told = replace(told, **{without: getattr(told, without).iloc[:0]})
        return LineModel(seed=1, **options).fit(self.features, self.graph, told)

    def loss(self, model):
        p = model.score()["p_lead"].to_numpy()[self.unknown]
        lead = self.city.truth["is_lead"].to_numpy(dtype=bool)[self.unknown]
        return float(-np.log(np.where(lead, p, 1 - p)).mean())


@pytest.fixture(scope="module")
def towns():
    return [Town(seed) for seed in SEEDS]


@pytest.fixture(scope="module")
def fits(towns):
    return [town.fit() for town in towns]


@pytest.fixture(scope="module")
def losses(towns, fits):
    """Log loss on homes whose line is unknown, by what was left out; one number a city."""
    out = {
        name: np.array([town.loss(town.fit(without=name)) for town in towns]) for name in SOURCES
    }
    out["nothing"] = np.array([town.loss(fit) for town, fit in zip(towns, fits, strict=True)])
    return out


def cost(losses, source):
    """Return by how much the log loss rises in each city without a source."""
    return losses[source] - losses["nothing"]


@pytest.mark.parametrize("source", ["lines", "checks", "pairs"])
def test_leaving_out_a_source_costs_log_loss(losses, source):
    """Over eight cities: records .081, checks .017, bottles .006 on average."""
    assert cost(losses, source).mean() > 0
    assert cost(losses, source).min() > -0.010, "in no city beyond noise"


def test_answers_neither_help_nor_harm_beyond_noise(losses):
    """Over eight cities leaving them out changed -.008 to +.006, -.001 on average: no gain."""
    assert np.abs(cost(losses, "answers")).max() < 0.012
    assert cost(losses, "answers").mean() > -0.006


def test_all_sources_together_are_best_or_as_good(losses):
    mean = {name: loss.mean() for name, loss in losses.items()}
    assert mean["nothing"] < min(mean.values()) + 0.003


def test_sources_that_speak_of_more_homes_are_worth_more(losses):
    """Cards speak of half the homes; bottles and answers of the few whose kit came back."""
    mean = {name: cost(losses, name).mean() for name in SOURCES}
    assert mean["lines"] > mean["checks"] > mean["answers"]
    assert mean["lines"] > mean["pairs"] > mean["answers"] - 0.003


@pytest.fixture(scope="module")
def wider(towns):
    return [town.fit(target="needs_replacement") for town in towns]


def test_needs_replacement_is_never_less_likely_than_lead(wider, fits):
    for model, lead in zip(wider, fits, strict=True):
        scores = model.score()
        assert (scores["p_replace"] >= scores["p_lead"]).all()
        assert (scores["p_replace"] <= scores["p_replace_high"]).all()
        assert (scores["p_replace"] >= scores["p_replace_low"]).all()
        same = scores[list(lead.score())]
        assert same.equals(lead.score()), "the chance of lead itself does not move"


def test_lines_that_need_replacement_are_told_and_counted(towns, wider):
    """Against the generator's column ``needs_replacement``.

    Over 24 cities of 6,000 and 10,000 the expected total was -1 to +9 % off and its 90 %
    interval held the truth in all; the area under the curve on unknown lines was .88 to .91. The
    galvanized part of lines without lead was -17 to +7 % off, -3 % in the mean.
    """
    inside = []
    for town, model in zip(towns, wider, strict=True):
        true = town.city.truth["needs_replacement"].to_numpy(dtype=bool)
        p = model.score()["p_replace"].to_numpy()
        everywhere = model.expected_replacements(pd.Series("all", index=town.features.index))
        expected, low, high = everywhere.iloc[0]
        assert abs(expected / true.sum() - 1) < 0.12
        inside.append(low < true.sum() < high)
        assert low < 1.1 * true.sum()
        assert high > 0.95 * true.sum()
        assert abs(expected - p.sum()) < 1e-6
        assert roc_auc_score(true[town.unknown], p[town.unknown]) > 0.87
        assert model.describe()["needs_replacement"]["expected"] == round(expected, 1)
    assert sum(inside) >= 3


def test_without_galvanized_pipe_only_lead_needs_replacement(towns):
    town = towns[0]
    sides = ["utility_material", "customer_material"]
    lines = town.told.lines.assign(
        **{s: town.told.lines[s].astype(object).replace("galvanized", "unknown") for s in sides}
    )
    checks = town.told.checks[town.told.checks["material"] != "galvanized"]
    told = Evidence(lines=lines, checks=checks)
    model = LineModel(seed=1, target="needs_replacement")
    scores = model.fit(town.features, town.graph, told).score()
    assert scores["p_replace"].equals(scores["p_lead"].rename("p_replace"))


def test_only_a_model_of_replacement_counts_it(towns, fits):
    with pytest.raises(ArgumentError, match="needs_replacement"):
        fits[0].expected_replacements(pd.Series("all", index=towns[0].features.index))


@pytest.mark.parametrize("prior", ["trees", "both"])
def test_weights_add_up_with_every_prior(towns, prior):
    """Held as probabilities: near 1 the log-odds of a stored probability are rounded."""
    town = towns[0]
    scores = town.fit(prior=prior).score()
    total = scores.filter(regex="^weight_").sum(axis=1)
    p = scores["p_lead"]
    assert np.abs(expit(total) - p).max() < 1e-12
    middle = p.between(1e-5, 1 - 1e-5)
    assert np.abs(total - np.log(p / (1 - p)))[middle].max() < 1e-9
    assert roc_auc_score(town.city.truth["is_lead"].astype(int), p) > 0.85


def test_a_column_that_names_the_contract_sharpens_the_scores(towns, losses):
    """As in ``scoring.extra``; over six cities the gain was -.006 to +.014, .006 on average."""
    told = []
    for town in towns:
        contract = pd.Categorical("C-" + town.city.truth["contract"].astype(str))
        features = town.features.assign(contract=contract)
        told.append(town.loss(LineModel(seed=1).fit(features, town.graph, town.told)))
    gain = losses["nothing"] - np.array(told)
    assert gain.mean() > 0.002
    assert gain.min() > -0.010, "in no city beyond noise"


def test_the_range_of_the_place_effect_is_found_within_a_factor_of_two(towns, fits):
    """The model picks among few ranges, each about 1.4 times the one before.

    Over eight cities found over true was .54 to 1.08, in seven of eight within 35 %.
    """
    ratio = np.array(
        [
            fit.describe()["place"]["range_m"] / figures(town.city)["range_m"]
            for town, fit in zip(towns, fits, strict=True)
        ]
    )
    assert ((ratio > 0.5) & (ratio < 2)).all()
    assert abs(np.median(ratio) - 1) < 0.35
