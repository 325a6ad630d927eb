"""What the staff report prints, section by section."""

from __future__ import annotations

from typing import Any

import pandas as pd

from linemap.outputs.findings import Findings
from linemap.outputs.reports.headings import headings
from linemap.outputs.reports.kits_by_area import AIM_WORDS, why_kits_differ
from linemap.outputs.reports.limits_of_data import SAID_HERE, group_words, limits_of_data
from linemap.outputs.reports.numbers import count, share
from linemap.outputs.reports.pictures import claimed_picture, pictures
from linemap.outputs.reports.witness_words import witness_words
from linemap.outputs.wording import strictest_level
from linemap.printing import counted
from linemap.published import all_facts, fact

PROTOCOL_WORDS = {
    "blocks": "by place",
    "matched": "far from other checks",
    "random": "at random",
    "time": "later in time",
    "audit": "random checks only",
}
"""Ways of hiding checks, in the order of the table."""

MEASURE_WORDS = {
    "callable_share_90": ("Share of homes that can be called at 90% precision (in hindsight)", 0),
    "hits_at_10pct": ("Lead among the first tenth of the list", 0),
    "auc": ("Chance that lead is ranked above non-lead (0.5 is luck, 1 perfect)", 2),
    "ece": ("Promised against found rate of lead, mean distance", 1),
}
_IN_PERCENT = ("callable_share_90", "hits_at_10pct", "ece")

WAY_WORDS = {
    "random checks": "Homes drawn at random and looked at",
    "checks reweighted": "Other checks, reweighted",
    "checks as they are": "Other checks as they are",
    "sum of probabilities": "Sum of the probabilities",
}
CAUSE_WORDS = {
    "line": "the service line",
    "premise": "the tap or the house plumbing",
    "both": "both",
    "neither": "neither; a lead line is not ruled out",
    "not told apart": "results too low or too near to tell apart",
    "not read": "bottles that cannot be read",
}
_MOST_AREAS = 25


def staff_content(findings: Findings) -> dict[str, Any]:
    """Return what the staff report prints.

    Parameters
    ----------
    findings : Findings

    Returns
    -------
    dict
    """
    evaluation, tables = findings.evaluation, findings.evaluation_tables
    water, level = findings.water, action_level(findings)
    names = area_names(findings)
    headline = evaluation.get("headline") or {}
    by_record = evaluation.get("labels") == "records"
    return {
        "heads": headings(
            area_list=findings.area_list,
            plan=findings.plan,
            evaluation=evaluation,
            baselines=tables.get("baselines", pd.DataFrame()),
            fairness=findings.fairness,
            rounds=findings.rounds,
            inventory=findings.inventory,
            water=water,
            action_level=level,
            counts=findings.counts,
        ),
        "homes": len(findings.scores),
        "expected": findings.expected.loc["(city)"].to_dict(),
        "by_record": by_record,
        "headline": headline.get("text") or evaluation.get("headline_reason", ""),
        "measures": measure_table(tables, by_record=by_record),
        "prevalence": prevalence_rows(tables.get("prevalence", pd.DataFrame())),
        "published": published_beside(evaluation),
        "areas": records(findings.area_list.head(_MOST_AREAS)),
        "clusters": bool(
            findings.area_list.get("hot_spot_z", pd.Series(dtype=float)).notna().any()
        ),
        "area_count": len(findings.area_list),
        "plan": findings.plan,
        "promise": promise(findings.plan),
        "aim": AIM_WORDS[findings.settings.outreach.aim],
        "kits_differ": why_kits_differ(
            findings.area_list, findings.kit_list, aim=findings.settings.outreach.aim
        ),
        "fairness": [
            {**row, "words": group_words(row["group_by"], row["group"])}
            for row in records(findings.fairness)
        ],
        "rounds": [
            {**report, "picture": claimed_picture(report, names)} for report in findings.rounds
        ],
        "review": findings.review,
        "inventory": records(findings.inventory),
        "by_class": expected_by_class(findings),
        "looks": looks_by_kind(findings.looks),
        "high_words": high_in_words(findings.high),
        "kits": water.get("kits"),
        "area_names": names,
        "water": water,
        "water_draws": [
            ("First draw", said_once(water.get("first", {"n": 0}))),
            ("Flushed", said_once(water.get("flushed", {"n": 0}))),
        ],
        "causes": [(CAUSE_WORDS.get(k, k), n) for k, n in (water.get("causes") or {}).items()],
        "counts": records(findings.counts),
        "set_aside": set_aside(findings.quarantine),
        "witnesses": witness_words(findings.model, distances=False),
        "cannot_tell": cannot_tell(findings),
        "pictures": pictures(findings, action_level=level),
    }


def high_in_words(high: pd.DataFrame) -> str:
    """Say how many kits lie above the strictest action level, and what is due there."""
    level = f"{strictest_level():g} ug/L"
    if high.empty:
        return f"No kit that could be read holds more than {level}; that clears no home."
    read = high[high["set_aside_result"].isna()]
    words = []
    if len(read):
        hold = "holds" if len(read) == 1 else "hold"
        words.append(
            f"{counted(len(read), 'kit')} of {counted(read['parcel_id'].nunique(), 'home')} {hold} "
            f"more than {level} in one of the bottles, the strictest action level; kits that were "
            "set aside are among them, for no flaw of a kit makes its water safe."
        )
    if aside := len(high) - len(read):
        words.append(
            f"{counted(aside, 'result')} that could not be used may hold as much: ask the "
            "laboratory."
        )
    if homeless := int(high["parcel_id"].isna().sum()):
        words.append(f"{counted(homeless, 'result')} of no known home: find out whose water it is.")
    untold = int(high["reported_on"].isna().sum())
    return " ".join(
        [
            *words,
            f"Not noted as sent to the resident: {untold:,}. They come first: a certified filter "
            "or bottled water until the cause is mended, and the health department advises on "
            "blood tests. All are in high_results.csv, linked above.",
        ]
    )


def expected_by_class(findings: Findings) -> list[dict[str, Any]]:
    """Return lines by inventory class and the lead lines expected among them, with their total."""
    scores, inventory = findings.scores, findings.inventory
    expected = scores.groupby(scores["inventory_class"].astype(object))["p_lead"].sum()
    rows = inventory[inventory["part"] == "service lines"]
    rows = rows.assign(expected=rows["category"].astype(object).map(expected).fillna(0.0))
    total = {"category": "all lines", "lines": len(scores), "share": 1.0}
    return [*records(rows), {**total, "expected": findings.expected.loc["(city)", "expected"]}]


def looks_by_kind(looks: pd.DataFrame) -> list[dict[str, Any]]:
    """Return how many homes somebody should look at first, by the reason, in the list's order."""
    if looks.empty:
        return []
    by = looks.groupby(["look", "why"], sort=False, observed=True)["p_lead"]
    return records(by.agg(homes="size", expected="sum").reset_index())


def promise(plan: dict[str, Any]) -> str:
    """Return what the list promises, in words and with intervals where they are known."""
    returns, finds = plan["expected_returns"], plan["expected_finds"]
    forecast = plan.get("forecast") or {}
    if not forecast:
        return f"{count(returns)} usable ones and {count(finds)} lead lines found are expected"
    ends = {
        name: f"{count(forecast[f'{name}_low'])} to {count(forecast[f'{name}_high'])}"
        for name in ("returned", "found")
    }
    return (
        f"{count(returns)} usable ones (95% interval {ends['returned']}) and {count(finds)} lead "
        f"lines found (95% interval {ends['found']}) are expected"
    )


def published_beside(evaluation: dict[str, Any]) -> list[str]:
    """Return published results to read the judgement beside, in words."""
    if not evaluation.get("published"):
        return []
    told = fact("evaluation.callable_share_pittsburgh")
    return [f"Lines that could be called: {share(told.value)} of customers ({told.source})."]


def said_once(draw: dict[str, Any]) -> dict[str, Any]:
    """Return the summary of a draw; what the table of methods notes is not said below it again."""
    why = draw.get("why", "")
    for row in draw.get("methods", []):
        parts = str(row.get("note") or "").split("; ")
        ends = range(len(parts), 0, -1)  # a note may hold a semicolon itself: the longest first
        for note in ("; ".join(parts[a:b]) for b in ends for a in range(b)):
            why = why.replace(f" {row['method']}: {note}.", "")
    return {**draw, "why": why}


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table as dictionaries."""
    return [{str(k): v for k, v in row.items()} for row in table.to_dict("records")]


def area_names(findings: Findings) -> dict[str, str]:
    """Return the names of the planning areas by area_id."""
    table = findings.area_list
    return dict(zip(table["area_id"].astype(str), table["name"].astype(str), strict=True))


def action_level(findings: Findings) -> float:
    """Return the level that results are compared with [ug/L]."""
    found = findings.water.get("first", {}).get("percentile_90")
    if isinstance(found, dict) and found.get("action_level") is not None:
        return float(found["action_level"])
    rules = findings.settings.rules
    names = [f"lead.action_level.{rules.edition}"]
    names += [f"water.action_level_state.{rules.state}"] if rules.state else []
    return min(float(all_facts()[name].value) for name in names)


def cannot_tell(findings: Findings) -> list[str]:
    """Return what this run cannot tell: limits of the data, then of the judgement."""
    warnings = findings.evaluation_tables.get("warnings", pd.DataFrame(columns=["code", "text"]))
    replaced = set(warnings.loc[warnings["code"].isin(SAID_HERE), "text"])
    ours = limits_of_data(
        scores=findings.scores,
        classes=findings.classes,
        areas=findings.areas,
        year_built=findings.parcels["year_built"],
        pairs=findings.pairs,
        fairness=findings.fairness,
        model=findings.model,
        water=findings.water,
        labels=findings.evaluation.get("labels", "checks"),
    )
    return [*ours, *(text for text in findings.cannot_tell if text not in replaced)]


def set_aside(quarantine: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the reasons why rows or values were set aside, most frequent first."""
    if quarantine.empty:
        return []
    by = ["table", "column", "reason", "effect"]
    table = quarantine.groupby(by, observed=True, dropna=False).size().rename("cases").reset_index()
    return records(table.sort_values(["cases", *by], ascending=[False] + [True] * 4).head(30))


def prevalence_rows(prevalence: pd.DataFrame) -> list[tuple[str, list[dict[str, Any]]]]:
    """Return the estimates of lead lines where nobody has looked, by the homes in question.

    Homes that were drawn at random and looked at are of the population that the draw speaks for,
    but not among those whose lead lines are estimated, so the count given is without them.
    """
    words = {"all": "All homes not checked", "no record": "Of these, homes without a record"}
    rows = records(prevalence)
    looked = {row["homes"]: row["checked"] for row in rows if row["way"] == "random checks"}
    grouped: dict[str, list[dict[str, Any]]] = {}
    for row in rows:
        left = row["population"] - looked.get(row["homes"], 0)
        homes = f"{words.get(row['homes'], row['homes'])} ({count(left)})"
        way = WAY_WORDS.get(row["way"], row["way"])
        grouped.setdefault(homes, []).append({**row, "way": way})
    return list(grouped.items())


def measure_table(
    tables: dict[str, pd.DataFrame], *, by_record: bool = False
) -> dict[str, Any] | None:
    """Return the main measures: a row for each, a column for each way of hiding checks.

    Parameters
    ----------
    tables : dict of str to DataFrame
        Tables of the evaluation.
    by_record : bool
        The labels are entries of the record: by them no probability can be judged.

    Returns
    -------
    dict or None
        ``columns`` (name, homes, lead) and ``rows`` (meaning, digits, percent, cells); a cell
        holds ``value, low, high``, ``age_rule`` and the band of a perfect model, NaN where
        there is none.
    """
    ours, others = tables.get("measures"), tables.get("baselines")
    if ours is None or others is None or ours.empty:
        return None
    ours = ours[ours["weighting"] == "as checked"]
    rule = others[(others["method"] == "age rule") & (others["weighting"] == "as checked")]
    shown = [name for name in PROTOCOL_WORDS if (ours["protocol"] == name).any()]
    found = {(row["measure"], row["protocol"]): row for row in records(ours)}
    ruled = {(row["measure"], row["protocol"]): row["value"] for row in records(rule)}
    rows = [
        {
            "meaning": meaning,
            "digits": digits,
            "percent": measure in _IN_PERCENT,
            "cells": [
                {**found.get((measure, name), {}), "age_rule": ruled.get((measure, name))}
                for name in shown
            ],
        }
        for measure, (meaning, digits) in MEASURE_WORDS.items()
        if any((measure, name) in found for name in shown) and not (by_record and measure == "ece")
    ]
    columns = [_column(ours[ours["protocol"] == name], name) for name in shown]
    return {"columns": columns, "rows": rows}


def _column(rows: pd.DataFrame, name: str) -> dict[str, Any]:
    first = rows.iloc[0]
    return {"name": PROTOCOL_WORDS[name], "homes": first["rows"], "lead": first["lead"]}
