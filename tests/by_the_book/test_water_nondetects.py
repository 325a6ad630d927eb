"""Results below several limits: published data sets.

Set 1: arsenic in Oahu, Helsel 2005. Set 2: Helsel and Cohn 1988, appendix B. Set 3: ammonium in
precipitation, ``lifelines.datasets.load_nh4``. Set 4: copper and zinc in shallow ground water,
shipped with lifelines. Set 5: shipped with the tests of statsmodels. Figures of the R package
NADA are from memory; the others were computed with statsmodels, scipy and lifelines.
"""

from importlib.resources import files

import numpy as np
import pandas as pd
import pytest
from lifelines import KaplanMeierFitter
from lifelines.datasets import load_nh4
from statsmodels.imputation.ros import cohn_numbers
from statsmodels.imputation.tests.test_ros import Test_ROS_RNADAdata as NadaSet

from linemap.errors import EvidenceError
from linemap.water import fit_lognormal, kaplan_meier, ros_sample, share_above, summarize_censored

NadaSet.__test__ = False


def read(text):
    parts = text.split()
    below = np.array([part.startswith("<") for part in parts])
    return np.array([float(part.strip("<")) for part in parts]), below


OAHU = read("3.2 2.8 " + "<2 " * 8 + "1.7 1.5 " + "<1 " * 4 + "0.9 <0.9 0.7 0.7 0.6 0.5 0.5 0.5")
COHN = read("<1 " * 6 + "<10 " * 3 + "3 7 9 12 15 20 27 33 50")


def nh4():
    table = load_nh4()
    return table["NH4.mg.per.L"].to_numpy(float), table["Censored"].to_numpy(bool)


def test_set_sizes():
    assert (OAHU[0].size, OAHU[1].sum()) == (24, 13)
    assert (COHN[0].size, COHN[1].sum()) == (18, 9)
    assert (nh4()[0].size, nh4()[1].sum()) == (102, 46)


def test_oahu_kaplan_meier():
    curve = kaplan_meier(*OAHU)
    assert curve.at.tolist() == [0.5, 0.6, 0.7, 0.9, 1.5, 1.7, 2.8, 3.2]
    np.testing.assert_allclose(
        curve.share, [0.3438, 0.4583, 0.6875, 0.7857, 0.8512, 0.9167, 0.9583, 1], atol=5e-5
    )
    assert curve.mean() == pytest.approx(0.9490, abs=5e-5)
    assert curve.sd(24) == pytest.approx(0.7284, abs=5e-5)
    assert curve.quantile(0.5) == 0.7
    assert curve.quantile(0.9) == 1.7


def test_oahu_ros():
    sample = ros_sample(*OAHU)
    assert sample.mean() == pytest.approx(0.972, abs=5e-4)  # NADA, from memory
    assert sample.mean() == pytest.approx(0.9725, abs=5e-5)
    assert sample.std(ddof=1) == pytest.approx(0.7180, abs=5e-5)
    assert np.median(sample) == pytest.approx(0.7, abs=5e-5)


def test_oahu_ros_values():
    """Printed to two places in the tests of statsmodels."""
    printed = [0.35, 0.46, 0.57, 0.68, 0.81, 0.95, 1.14, 1.42, 0.41, 0.58, 0.76, 0.98, 0.61]
    detects = OAHU[0][~OAHU[1]]
    np.testing.assert_allclose(
        ros_sample(*OAHU), np.sort(np.concatenate([printed, detects])), atol=0.0075
    )


def test_oahu_lognormal():
    fit = fit_lognormal(*OAHU)
    assert fit.mu == pytest.approx(-0.2528, abs=5e-5)
    assert fit.sigma == pytest.approx(0.6269, abs=5e-5)
    assert fit.mean() == pytest.approx(0.9453, abs=5e-5)
    assert fit.sd() == pytest.approx(0.6559, abs=5e-5)
    assert fit.quantile(0.5) == pytest.approx(0.7766, abs=5e-5)


@pytest.mark.parametrize(
    ("label", "mean", "sd", "median"),
    [
        ("zero", 0.5667, 0.8948, 0),
        ("half the limit", 1.0021, 0.6985, 0.95),
        ("limit / sqrt 2", 1.1824, 0.6906, 1.157),
        ("the limit", 1.4375, 0.7615, 1.25),
    ],
)
def test_oahu_substitution_is_shown_as_wrong(label, mean, sd, median):
    row = summarize_censored(*OAHU, resamples=2).table.loc[f"substitution: {label}"]
    assert row["mean"] == pytest.approx(mean, abs=5e-5)
    assert row["sd"] == pytest.approx(sd, abs=5e-5)
    assert row["median"] == pytest.approx(median, abs=5e-4)
    assert not row["fit_to_use"]
    assert row["note"].startswith("wrong")


def test_cohn_exceedance_of_oahu():
    """Probabilities of exceedance, printed in the tests of statsmodels; here from our curve."""
    curve = kaplan_meier(*OAHU)
    table = pd.DataFrame({"obs": OAHU[0], "cen": OAHU[1]})
    cohn = cohn_numbers(table, "obs", "cen")["prob_exceedance"].dropna().tolist()[:4]
    np.testing.assert_allclose(cohn, [1, 0.3125, 0.21429, 0.0833], atol=5e-5)
    # A limit's exceedance is one less the curve just below the next detect.
    for limit, share in zip((0.9, 1.0, 2.0), cohn[1:], strict=True):
        below = curve.share[curve.at < limit][-1]
        assert 1 - below == pytest.approx(share, abs=5e-5)


def test_helsel_cohn_kaplan_meier():
    curve = kaplan_meier(*COHN)
    at = dict(zip(curve.at, curve.share, strict=True))
    assert [at[x] for x in (3, 7, 9)] == pytest.approx([0.5185, 0.5926, 0.6667], abs=5e-5)
    assert curve.unresolved == pytest.approx(0.444, abs=5e-4)
    assert curve.mean() == pytest.approx(10.574, abs=5e-4)
    assert np.isnan(curve.quantile(0.4))


def test_helsel_cohn_ros():
    sample = ros_sample(*COHN)
    assert sample.mean() == pytest.approx(10.788, abs=5e-4)
    assert sample.std(ddof=1) == pytest.approx(13.682, abs=5e-4)
    assert np.median(sample) == pytest.approx(3.92, abs=5e-3)
    filled = [0.479, 0.857, 1.113, 1.278, 1.766, 2.344, 2.506, 3.039, 4.805]
    np.testing.assert_allclose(
        sample, np.sort(np.concatenate([filled, COHN[0][~COHN[1]]])), atol=6e-4
    )


def test_helsel_cohn_ros_never_goes_back_to_a_row():
    """Four of the six results below 1 are filled above 1: the sample is sorted, without rows."""
    sample = ros_sample(*COHN)
    assert (sample < 1).sum() == 2
    assert (np.diff(sample) >= 0).all()


def test_helsel_cohn_lognormal_mean_is_flagged():
    fit = fit_lognormal(*COHN)
    assert (fit.mu, fit.sigma) == pytest.approx((0.8168, 2.2221), abs=5e-5)
    assert fit.quantile(0.5) == pytest.approx(2.263, abs=5e-4)
    assert fit.mean() == pytest.approx(26.7, abs=0.05)
    assert fit.sd() == pytest.approx(314, abs=0.5)
    found = summarize_censored(*COHN)
    assert "do not trust the mean" in found.table.loc["lognormal MLE", "note"]
    assert "do not trust the mean" in found.why
    assert found.advised == "robust ROS"


@pytest.mark.parametrize(
    ("label", "mean"), [("zero", 9.778), ("half the limit", 10.778), ("the limit", 11.778)]
)
def test_helsel_cohn_substitution(label, mean):
    table = summarize_censored(*COHN, resamples=2).table
    assert table.loc[f"substitution: {label}", "mean"] == pytest.approx(mean, abs=5e-4)


def test_ammonium():
    values, below = nh4()
    curve, sample, fit = (f(values, below) for f in (kaplan_meier, ros_sample, fit_lognormal))
    assert curve.mean() == pytest.approx(0.02027, abs=5e-6)
    assert curve.quantile(0.5) == 0.009
    assert sample.mean() == pytest.approx(0.01910, abs=5e-6)
    assert sample.std(ddof=1) == pytest.approx(0.03151, abs=5e-6)
    assert np.median(sample) == pytest.approx(0.009, abs=5e-6)
    assert (fit.mu, fit.sigma) == pytest.approx((-4.7145, 1.2534), abs=6e-5)
    assert fit.quantile(0.5) == pytest.approx(0.00896, abs=5e-6)
    assert fit.mean() == pytest.approx(0.01966, abs=5e-6)
    found = summarize_censored(values, below)
    assert found.limits == (0.006, 0.008, 0.010, 0.018)
    assert found.advised == "Kaplan-Meier"  # 45 % censored


def test_copper_and_zinc_by_group():
    path = files("lifelines.datasets") / "CuZn-LeftCensoredDataset.csv"
    table = pd.read_csv(str(path))
    assert len(table) == 104
    for group, n, detects in (("alluvial_fan", 55, 43), ("basin_trough", 49, 35)):
        rows = table.loc[table["group"] == group]
        seen = rows["E"].to_numpy(bool)
        assert (len(rows), seen.sum()) == (n, detects)
        values = rows["T"].to_numpy(float)
        curve = kaplan_meier(values, ~seen)
        other = KaplanMeierFitter().fit_left_censoring(values, seen)
        theirs = other.cumulative_density_.loc[curve.at].to_numpy().ravel()
        np.testing.assert_allclose(curve.share, theirs, atol=1e-12)


def test_nada_set_of_statsmodels():
    values = NadaSet.df["res"].to_numpy(float)
    below = NadaSet.df["cen"].to_numpy(bool)
    sample = ros_sample(values, below)
    np.testing.assert_allclose(sample, np.sort(NadaSet.expected_final), atol=5e-4)
    assert sample.mean() == pytest.approx(3.4101, abs=5e-5)
    assert sample.std(ddof=1) == pytest.approx(8.3811, abs=5e-5)
    assert np.median(sample) == pytest.approx(0.6335, abs=5e-5)


@pytest.mark.parametrize(
    ("n", "censored", "advised"),
    [
        (24, 11, "Kaplan-Meier"),
        (24, 13, "robust ROS"),
        (49, 30, "robust ROS"),
        (60, 36, "lognormal MLE"),
        (60, 48, "lognormal MLE"),
        (60, 49, "share above a level only"),
        (60, 60, "share above a level only"),
    ],
)
def test_advice_by_share_and_number(n, censored, advised):
    """Helsel: Kaplan-Meier under 50 %, models 50 to 80 %, shares above (from memory)."""
    values = np.concatenate([np.ones(censored), np.linspace(1.5, 9, n - censored)])
    found = summarize_censored(values, np.arange(n) < censored, resamples=5)
    assert found.advised == advised
    assert found.table["fit_to_use"].sum() == (advised in found.table.index)
    assert (found.advised_row() is None) == (advised not in found.table.index)


@pytest.mark.parametrize(
    ("above", "n", "low", "high"),
    [(3, 371, 0.00167, 0.02345), (19, 384, 0.03005, 0.07619), (0, 384, 0.0, 0.00956)],
)
def test_exact_intervals_of_a_share(above, n, low, high):
    """Clopper-Pearson limits, computed with scipy."""
    found = share_above([20.0] * above + [1.0] * (n - above), [False] * n, 15)
    assert (found.above, found.n) == (above, n)
    assert (found.low, found.high) == pytest.approx((low, high), abs=5.1e-6)


def test_flint_2015_share_above_15():
    """Loux and Gibson 2018: 8 of 71 results lie above 15."""
    found = share_above([20.0] * 8 + [15.0] * 63, [False] * 71, 15)
    assert found.share == pytest.approx(0.1127, abs=5e-5)


def test_interim_flint_kits_above_5():
    """Flint kits of August 2015, interim: 101 of 252 above 5 ug/L is 40.1 %."""
    found = share_above([6.0] * 101 + [5.0] * 151, [False] * 252, 5)
    assert found.share == pytest.approx(0.401, abs=5e-4)


def test_a_share_that_hangs_on_non_detects_is_refused():
    with pytest.raises(EvidenceError, match="20 ug/L or more"):
        share_above([20.0, 3.0], [True, False], 15)
    assert share_above([15.0, 30.0], [True, False], 15).above == 1
