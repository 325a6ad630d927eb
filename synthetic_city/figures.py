"""What the generator really did in one city: shares, error rates, range, and the oracle's reach."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.spatial.distance import pdist
from sklearn.metrics import average_precision_score, roc_auc_score

from synthetic_city.city import InventedCity
from synthetic_city.draws import Floats, stream


def figures(city: InventedCity) -> dict[str, float]:
    """Return the realised figures of a city, to hold estimates against.

    Parameters
    ----------
    city : InventedCity

    Returns
    -------
    dict of str to float
        lead_share, needs_replacement_share, unknown_share (truth column ``unknown``),
        utility_blank_share (utility side unknown on the card), checked_share, sent_share (homes
        sent a kit), returned_share (of kits sent);
        record_false_lead, record_missed_lead (of homes with any card: the card names lead on a
        side though no part is lead, and the reverse), the same by age with ``_old`` (tract
        before 1946) and ``_new``;
        range_m (distance [m] at which two homes share a main contract in 5 % of pairs, that is
        at which the correlation of the latent place effect falls to 0.05), contract_sd
        [log-odds];
        oracle_auc, oracle_ap, oracle_log_loss (on homes with truth column ``unknown``).
    """
    truth = city.truth
    lead = truth["is_lead"].to_numpy()
    unknown = truth["unknown"].to_numpy()
    oracle = np.clip(truth["p_oracle"].to_numpy(), 1e-12, 1 - 1e-12)[unknown]
    there = lead[unknown]
    out = {
        "lead_share": lead.mean(),
        "needs_replacement_share": truth["needs_replacement"].mean(),
        "unknown_share": unknown.mean(),
        "utility_blank_share": (city.lines["utility_material"] == "unknown").mean(),
        "checked_share": city.checks["parcel_id"].nunique() / len(truth),
        "sent_share": city.kits["parcel_id"].nunique() / len(truth),
        "returned_share": city.kits["received_on"].notna().mean(),
        "range_m": shared_range(truth, city.seed),
        "contract_sd": city.knobs.contract_sd,
        "oracle_log_loss": -np.log(np.where(there, oracle, 1 - oracle)).mean(),
    }
    if 0 < there.sum() < len(there):
        out["oracle_auc"] = roc_auc_score(there, oracle)
        out["oracle_ap"] = average_precision_score(there, oracle)
    old = truth["wave_year"].to_numpy() < 1946
    everyone = np.ones(len(truth), dtype=bool)
    for name, group in (("", everyone), ("_old", old), ("_new", ~old)):
        out |= _record_errors(city.lines, lead, group, name)
    return {name: float(value) for name, value in out.items()}


def _record_errors(
    lines: pd.DataFrame, lead: np.ndarray, group: np.ndarray, name: str
) -> dict[str, float]:
    utility = lines["utility_material"].astype(str).to_numpy()
    customer = lines["customer_material"].astype(str).to_numpy()
    card = ((utility != "unknown") | (customer != "unknown")) & group
    says = (utility == "lead") | (customer == "lead")
    without, with_ = card & ~lead, card & lead
    return {
        f"record_false_lead{name}": says[without].mean() if without.any() else np.nan,
        f"record_missed_lead{name}": (~says[with_]).mean() if with_.any() else np.nan,
    }


def shared_range(
    truth: pd.DataFrame, seed: int, *, share: float = 0.05, step: float = 25.0
) -> float:
    """Return the distance [m] beyond which fewer than ``share`` of pairs share a contract."""
    rng = stream(seed, "figures")
    some = truth.iloc[np.sort(rng.permutation(len(truth))[:2000])]
    place: Floats = some[["x", "y"]].to_numpy(dtype=float)
    distance = pdist(place)
    together = pdist(some[["contract"]].to_numpy(dtype=float)) == 0
    bins = (distance / step).astype(np.int64)
    shares = np.bincount(bins, together) / np.maximum(np.bincount(bins), 1)
    below = np.flatnonzero(shares < share)
    return float((below[0] + 0.5) * step)
