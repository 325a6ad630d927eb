"""Tables that one stage needs from several others, put together without any judgement.

The stages do not know each other; what the choice of kits or the evaluation wants to know of
a home is gathered here from what the earlier stages found.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from linemap.evaluation import check_labels, record_labels
from linemap.features import PlaceGraph
from linemap.inventory import audit_list, validation_pool
from linemap.outreach import Ledger, expected_return, review_rounds
from linemap.scoring import Evidence, LineModel
from linemap.settings import OutreachSettings, Settings
from linemap.tables import City, contract


@dataclass(frozen=True)
class Scored:
    """A city after scoring.

    Attributes
    ----------
    classes : DataFrame
        Inventory classes, indexed by parcel_id.
    pairs : DataFrame
        Returned kits with verdict and results.
    features : DataFrame
        Features of each parcel, indexed by parcel_id.
    graph : PlaceGraph
        Places and their neighbours.
    evidence : Evidence
        What the witnesses said.
    model : LineModel
        Fitted.
    scores : DataFrame
        By the ``scores`` contract, indexed by parcel_id.
    """

    classes: pd.DataFrame
    pairs: pd.DataFrame
    features: pd.DataFrame
    graph: PlaceGraph
    evidence: Evidence
    model: LineModel
    scores: pd.DataFrame


def evaluation_frame(city: City, scored: Scored) -> pd.DataFrame:
    """Return one row per parcel: features, labels from checks, and record, bottles, answers."""
    frame = scored.features.copy()
    frame["area_id"] = city.parcels["area_id"]
    frame["median_income"] = _from_area(city, "median_income")
    usable = scored.pairs[scored.pairs["verdict"].ne("not_usable")].groupby("parcel_id")
    for name in ("first_high", "flushed_high"):
        frame[f"kit_{name}"] = usable[name].max().reindex(frame.index)
    answers = scored.evidence.answers.groupby("parcel_id")
    for name in ("entry_pipe", "line_replaced"):
        frame[f"answer_{name}"] = answers[name].last().reindex(frame.index)
    frame["record_lead"] = record_labels(city.lines, frame.index)
    return frame.join(check_labels(city.checks, frame.index))


def part_of(scored: Scored, homes: pd.Index) -> tuple[pd.DataFrame, PlaceGraph, Evidence]:
    """Return features, graph and evidence of some homes, in the order of all."""
    rows = np.flatnonzero(scored.features.index.isin(homes))
    if len(rows) == len(scored.features):
        return scored.features, scored.graph, scored.evidence
    return scored.features.iloc[rows], scored.graph.part(rows), scored.evidence.of(homes)


def _from_area(city: City, column: str) -> pd.Series:
    return city.parcels["area_id"].map(city.areas.set_index("area_id")[column])


def homes_table(
    city: City, scored: Scored, settings: Settings, opted_out: Collection[str] = ()
) -> pd.DataFrame:
    """Return what the choice of kits works on, indexed by parcel_id.

    Parameters
    ----------
    city : City
    scored : Scored
    settings : Settings
    opted_out : collection of str
        Homes that want no kits.

    Returns
    -------
    DataFrame
        Place, class, probability, household figures of the area, history of kits, opt-outs.
    """
    parcels, scores = city.parcels, scored.scores
    homes = scores[["area_id", "inventory_class", "basis", "p_lead", "p_low", "p_high"]].copy()
    homes["beyond_data"] = scores["beyond_data"]
    known = (
        "street_segment",
        "address",
        "owner_occupied",
        "land_use",
        "dwelling_units",
        "pregnant",
    )
    names = list(dict.fromkeys([*known, *settings.parcel_columns()]))
    homes[names] = pd.DataFrame(parcels).reindex(columns=names)
    homes["x"], homes["y"] = scored.features["x"], scored.features["y"]
    for name in ("median_income", "children_under_6", "need", "name"):
        homes[name] = _from_area(city, name)
    sent = city.kits.assign(day=city.kits["mailed_on"].fillna(city.kits["requested_on"]))
    homes["kits_before"] = sent.groupby("parcel_id").size().reindex(homes.index).fillna(0)
    homes["last_kit_on"] = sent.groupby("parcel_id")["day"].max().reindex(homes.index)
    usable = scored.pairs[scored.pairs["verdict"] != "not_usable"]
    homes["tested"] = homes.index.isin(usable["parcel_id"])
    homes["opted_out"] = homes.index.isin(opted_out)
    homes["site_kind"] = (
        city.sites.dropna(subset="parcel_id").groupby("parcel_id")["kind"].first()
    ).reindex(homes.index)
    homes["learn"] = scored.model.kit_information()
    returns = expected_return(
        homes, city.kits, scored.pairs, seed=settings.scoring.seed, on=last_day(city, settings)
    )
    homes = homes.join(returns.table)
    homes.attrs["returns"] = returns.basis
    return homes


def group_columns(limits: OutreachSettings) -> list[str]:
    """Return the columns by which fairness is judged: income, tenure, and those with a limit."""
    more = [limit.column for limit in limits.group]
    return list(dict.fromkeys(["income_third", "owner_occupied", *more]))


def last_day(city: City, settings: Settings) -> date:
    """Return the day on which the run stands: ``city.as_of`` or the latest date in the files."""
    if settings.city.as_of is not None:
        return settings.city.as_of
    days = [
        table[name].max()
        for table in (city.checks, city.kits)
        for name, column in contract("checks" if table is city.checks else "kits").items()
        if column.kind == "date"
    ]
    known = [day for day in days if not pd.isna(day)]
    return max(known).date() if known else date(2000, 1, 1)


def rounds_so_far(settings: Settings) -> list[dict[str, Any]]:
    """Return the reports of all rounds in the ledger beside the settings file, if there is one."""
    path = ledger_path(settings)
    if not path.is_file():
        return []
    book = Ledger(path)
    return [book.round_report(name) for name in book.rounds()["round_id"]]


def rounds_log(settings: Settings) -> pd.DataFrame:
    """Return the kits of all rounds in the ledger beside the settings; empty if there is none."""
    path = ledger_path(settings)
    if path.is_file():
        return Ledger(path).log()
    return pd.DataFrame(
        {
            "round_id": pd.Series(dtype=str),
            "parcel_id": pd.Series(dtype=str),
            "sent_on": pd.Series(dtype="datetime64[ns]"),
            "listed": pd.Series(dtype=bool),
            "outcome": pd.Series(dtype=str),
        }
    )


def review_so_far(settings: Settings) -> dict[str, Any]:
    """Return what all closed rounds together tell; empty while none is closed."""
    log = rounds_log(settings)
    if log["outcome"].isna().all():
        return {}
    quiet = settings.outreach.quiet_days
    return review_rounds(log, seed=settings.scoring.seed, quiet_days=quiet)


def ledger_path(settings: Settings) -> Path:
    """Return where the ledger of rounds stands unless another place is named."""
    return Path(settings.folder) / "rounds.sqlite"


def control_homes(city: City) -> list[str]:
    """Return the homes known by a look at both sides to have no lead, in order."""
    seen = check_labels(city.checks, city.parcels.index)
    return sorted(seen.index[(seen["label"] == 0) & (seen["sides_seen"] == 2)])


def audit_table(city: City, scored: Scored, settings: Settings) -> pd.DataFrame:
    """Return the random verification sample with its design, as written to the lists."""
    pool = validation_pool(city.lines, city.checks, scored.classes)
    drawn = audit_list(scored.classes, pool, seed=settings.scoring.seed)
    return drawn.rename_axis("parcel_id").reset_index()
