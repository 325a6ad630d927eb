"""Tables that one stage needs from several others, put together without any judgement.

The stages do not know each other; what the choice of kits or the evaluation wants to know of
a home is gathered here from what the earlier stages found.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from linemap.errors import RunFolderError
from linemap.evaluation import check_labels, record_labels
from linemap.features import PlaceGraph
from linemap.intake import latest_date
from linemap.inventory import audit_list, validation_pool
from linemap.outreach import (
    Ledger,
    expected_return,
    homes_to_look_at,
    kit_history,
    review_rounds,
    since_rounds,
    with_rounds,
)
from linemap.scoring import Evidence, LineModel
from linemap.settings import OutreachSettings, Settings
from linemap.tables import City, empty_table
from linemap.water import check_kits, water_summary

Labels = Literal["checks", "records"]


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


def answers_by_date(city: City) -> pd.DataFrame:
    """Return the forms with their home, in the order of their kits: of several the last counts."""
    days = city.kits[["collected_on", "received_on", "mailed_on"]].bfill(axis=1)
    kits = city.kits[["kit_id", "parcel_id"]].assign(on=days.iloc[:, 0])
    answers = city.answers.merge(kits, on="kit_id", how="left")
    order = ["on", "kit_id"]
    return answers.sort_values(order, kind="stable", na_position="first").drop(columns="on")


def judged_by(city: City) -> Labels:
    """Return what the scores can be held against: checks, or the record where there is none."""
    if check_labels(city.checks, city.parcels.index)["label"].notna().any():
        return "checks"
    return "records" if record_labels(city.lines, city.parcels.index).notna().any() else "checks"


def evaluation_frame(city: City, scored: Scored, labels: Labels) -> pd.DataFrame:
    """Return one row per parcel: features, labels, and record, bottles, answers."""
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
    frame = frame.join(check_labels(city.checks, frame.index))
    if labels == "records":
        told = frame["record_lead"].notna()
        frame = frame.assign(label=frame["record_lead"], checked=told, why="unknown")
    return frame


def without(evidence: Evidence, hidden: pd.Index, labels: Labels) -> Evidence:
    """Return the evidence without what the labels of some homes were taken from."""
    name = "checks" if labels == "checks" else "lines"
    table = getattr(evidence, name)
    return replace(evidence, **{name: table[~table["parcel_id"].isin(hidden)]})


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
    kits, pairs = with_rounds(city.kits, scored.pairs, city.rounds)
    homes = since_rounds(homes.join(kit_history(kits, pairs, homes.index)), city.rounds)
    homes["opted_out"] = homes.index.isin(opted_out)
    homes["site_kind"] = (
        city.sites.dropna(subset="parcel_id").groupby("parcel_id")["kind"].first()
    ).reindex(homes.index)
    homes["learn"] = scored.model.kit_information()
    returns = expected_return(
        homes, kits, pairs, seed=settings.scoring.seed, on=last_day(city, settings)
    )
    homes = homes.join(returns.table)
    homes.attrs.update(
        returns=returns.basis, return_shift=returns.shift, return_level=returns.level
    )
    return homes


def lead_by_age(model: LineModel, year_built: pd.Series) -> pd.DataFrame:
    """Return the mean probability of lead of homes by five years of building, with its interval.

    Parameters
    ----------
    model : LineModel
        Fitted.
    year_built : Series
        Of all homes [year]; NaN where not known.

    Returns
    -------
    DataFrame
        Index: first year of each five; columns ``mean``, ``low``, ``high`` (90 % interval of the
        share of lead lines, by joint draws) and ``homes``.
    """
    five = (year_built // 5 * 5).dropna().astype(int)
    counts = model.expected_lead(five)
    counts.index = counts.index.astype(int)
    homes = five.groupby(five).size().reindex(counts.index)
    out = counts.div(homes, axis=0).rename(columns={"expected": "mean"}).assign(homes=homes)
    return out.rename_axis("built_from")


def group_columns(limits: OutreachSettings) -> list[str]:
    """Return the columns by which fairness is judged: income, tenure, and those with a limit."""
    more = [limit.column for limit in limits.group]
    return list(dict.fromkeys(["income_third", "owner_occupied", *more]))


def last_day(city: City, settings: Settings) -> date:
    """Return the day on which the run stands: ``city.as_of`` or the latest date in the files.

    A date that stands alone, far behind all others, is passed over.
    """
    if settings.city.as_of is not None:
        return settings.city.as_of
    day = latest_date({"checks": city.checks, "kits": city.kits})
    return date(2000, 1, 1) if day is None else day.date()


def rounds_so_far(ledger: Ledger | None) -> list[dict[str, Any]]:
    """Return the reports of all rounds of a ledger, if there is one."""
    if ledger is None:
        return []
    return [ledger.round_report(name) for name in ledger.rounds()["round_id"]]


def review_so_far(ledger: Ledger | None, settings: Settings) -> dict[str, Any]:
    """Return what all closed rounds together tell; empty while none is closed."""
    log = rounds_log(ledger)
    if log["outcome"].isna().all():
        return {}
    quiet = settings.outreach.quiet_days
    return review_rounds(log, seed=settings.scoring.seed, quiet_days=quiet)


def rounds_log(ledger: Ledger | None) -> pd.DataFrame:
    """Return the kits of all rounds of a ledger by the contract; empty if there is none."""
    return empty_table("rounds") if ledger is None else ledger.log()


def ledger_as_read(
    settings: Settings, path: str | Path | None = None, *, entries: int | None = None
) -> Ledger | None:
    """Return the ledger as it stands now, whatever is entered while it is read.

    Parameters
    ----------
    settings : Settings
    path : str or Path, optional
        Ledger file; by default the one beside the settings file.
    entries : int, optional
        Read only the first so many entries, as an earlier run did.

    Returns
    -------
    Ledger or None
        None if there is none and none was named.

    Raises
    ------
    RunFolderError
        If the ledger that was named is not there, or a ledger is damaged.
    """
    if path is None and not ledger_path(settings).exists():
        return None
    place = existing_ledger(settings, path)
    return Ledger(place, entries=Ledger(place).head()[0] if entries is None else entries)


def existing_ledger(settings: Settings, path: str | Path | None = None) -> Path:
    """Return the file of a ledger; only opening a round makes one.

    Raises
    ------
    RunFolderError
        If it is not there.
    """
    place = ledger_path(settings, path)
    if not place.exists():
        raise RunFolderError(
            f"there is no ledger {place}. Check its name; `linemap round open` makes one."
        )
    return place


def ledger_mark(ledger: Ledger | None) -> dict[str, Any]:
    """Return what tells which entries of a ledger were read: their number and last digest."""
    entries, digest = (0, "") if ledger is None else ledger.head()
    return {"entries": entries, "digest": digest}


def ledger_path(settings: Settings, named: str | Path | None = None) -> Path:
    """Return where the ledger of rounds stands: as named, or beside the settings file."""
    return Path(named or Path(settings.folder) / "rounds.sqlite")


def control_homes(city: City) -> list[str]:
    """Return the homes known by a look at both sides to have no lead, in order."""
    seen = check_labels(city.checks, city.parcels.index)
    return sorted(seen.index[(seen["label"] == 0) & (seen["sides_seen"] == 2)])


def judged_kits(city: City, settings: Settings) -> pd.DataFrame:
    """Return the kits that came back, with verdict and results, as of the day of the run."""
    today = last_day(city, settings)
    return check_kits(city.kits, city.samples, doubts=city.doubts, today=today)


def water_figures(
    city: City, pairs: pd.DataFrame, settings: Settings, as_of: date
) -> dict[str, Any]:
    """Return what the reports say of the water, under the settings' edition of the rule."""
    return water_summary(
        pairs,
        city.kits,
        city.parcels["area_id"],
        edition=settings.rules.edition,
        state=settings.rules.state,
        method=settings.rules.rank_method,
        as_of=as_of,
        control_homes=control_homes(city),
        line_diameter_in=city.parcels["line_diameter_in"],
        seed=settings.scoring.seed,
    )


def look_table(homes: pd.DataFrame, scored: Scored, settings: Settings) -> pd.DataFrame:
    """Return the homes where somebody should look first, with the reasons of their scores."""
    said = scored.scores[["reason_1", "reason_2"]]
    return homes_to_look_at(homes.join(said), settings.outreach)


def audit_table(city: City, scored: Scored, settings: Settings) -> pd.DataFrame:
    """Return the random verification sample with its design, as written to the lists."""
    pool = validation_pool(city.lines, city.checks, scored.classes)
    drawn = audit_list(scored.classes, pool, seed=settings.scoring.seed)
    return drawn.rename_axis("parcel_id").reset_index()
