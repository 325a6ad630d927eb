"""The pages of a run: staff report, public report, methods. Self-contained and printable."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from jinja2 import Environment, PackageLoader
from markupsafe import Markup
from matplotlib.figure import Figure

from linemap.outputs import charts
from linemap.outputs.findings import Findings
from linemap.outputs.public import public_areas, public_city
from linemap.outputs.wording import CAUTIONS, PROBABILITY_CAUTION, PUBLIC_NOTE
from linemap.published import all_facts
from linemap.tables import INPUT_TABLES, contract

CALLED_MEASURES = {
    "auc": "ranking (1 is perfect, 0.5 is chance)",
    "average_precision": "average precision",
    "log_loss": "log loss (lower is better)",
    "ece": "promised against found, mean distance",
    "callable_share_90": "share callable at 90 % precision, in hindsight",
}


def write_reports(findings: Findings, folder: Path) -> None:
    """Write ``staff/report.html``, ``public/report.html`` and ``methods.html``.

    Parameters
    ----------
    findings : Findings
    folder : Path
        Folder of the run.
    """
    for name in ("staff", "public"):
        (folder / name).mkdir(exist_ok=True)
    common = {
        "city": findings.settings.city.name,
        "as_of": findings.as_of.isoformat(),
        "cautions": CAUTIONS,
        "probability_caution": PROBABILITY_CAUTION,
    }
    pages = {
        "staff/report.html": ("staff_report.html", staff_content(findings)),
        "public/report.html": ("public_report.html", public_content(findings)),
        "methods.html": ("methods.html", methods_content(findings)),
    }
    environment = Environment(loader=PackageLoader("linemap.outputs"), autoescape=True)
    environment.filters |= {"count": _count, "share": _share, "number": _number}
    for name, (template, content) in pages.items():
        text = environment.get_template(template).render(**common, **content)
        (folder / name).write_text(text, encoding="utf-8")


def _count(value: Any) -> str:
    return "not known" if value is None or pd.isna(value) else f"{value:,.0f}"


def _share(value: Any, digits: int = 0) -> str:
    return "not known" if value is None or pd.isna(value) else f"{100 * value:.{digits}f} %"


def _number(value: Any, digits: int = 2) -> str:
    return "not known" if value is None or pd.isna(value) else f"{value:,.{digits}f}"


def _picture(figure: Figure, how: str) -> dict[str, Markup | str]:
    """Return a chart as SVG with its title and a line on how to read it."""
    title = figure.axes[0].get_title(loc="left")
    return {"svg": Markup(charts.figure_svg(figure, name=title)), "title": title, "how": how}


def _records(table: pd.DataFrame, columns: Sequence[str] | None = None) -> list[dict[str, Any]]:
    chosen = table if columns is None else table[[c for c in columns if c in table.columns]]
    return [{str(k): v for k, v in row.items()} for row in chosen.to_dict("records")]


def staff_content(findings: Findings) -> dict[str, Any]:
    """Return what the staff report prints, section by section."""
    evaluation = findings.evaluation
    return {
        "counts": _records(findings.counts),
        "set_aside": _set_aside(findings.quarantine),
        "kits": findings.water.get("kits"),
        "water": findings.water,
        "water_draws": [
            (name, findings.water.get(name, {"n": 0})) for name in ("first", "flushed")
        ],
        "inventory": _records(findings.inventory),
        "expected": findings.expected.loc["(city)"].to_dict(),
        "headline": (evaluation.get("headline") or {}).get("text")
        or evaluation.get("headline_reason", ""),
        "measures": measure_rows(findings.evaluation_tables),
        "prevalence": _records(findings.evaluation_tables.get("prevalence", pd.DataFrame())),
        "published": evaluation.get("published", []),
        "areas": _records(findings.area_list.head(25)),
        "area_count": len(findings.area_list),
        "plan": findings.plan,
        "fairness": _records(findings.fairness),
        "model": findings.model,
        "witnesses": witness_rows(findings.model),
        "cannot_tell": findings.cannot_tell,
        "pictures": pictures(findings),
    }


def _set_aside(quarantine: pd.DataFrame) -> list[dict[str, Any]]:
    if quarantine.empty:
        return []
    groups = quarantine.groupby(
        ["table", "column", "reason", "effect"], observed=True, dropna=False
    )
    table = groups.size().rename("cases").reset_index()
    return _records(table.sort_values(["cases", "table"], ascending=[False, True]).head(30))


def measure_rows(tables: dict[str, pd.DataFrame]) -> list[dict[str, Any]]:
    """Return the main measures of the scores beside the age rule, one row per protocol.

    Parameters
    ----------
    tables : dict of str to DataFrame
        Tables of the evaluation.

    Returns
    -------
    list of dict
    """
    ours, others = tables.get("measures"), tables.get("baselines")
    if ours is None or others is None or ours.empty:
        return []
    rule = others[others["method"] == "age rule"].set_index(["protocol", "weighting", "measure"])
    rows = []
    for row in _records(ours[ours["weighting"] == "as checked"]):
        if row["measure"] not in CALLED_MEASURES:
            continue
        key = (row["protocol"], "as checked", row["measure"])
        rows.append(
            {
                **row,
                "meaning": CALLED_MEASURES[row["measure"]],
                "age_rule": float(rule["value"].get(key, np.nan)),
            }
        )
    return rows


def witness_rows(model: dict[str, Any]) -> list[tuple[str, str]]:
    """Return what the model learned of each witness as pairs of name and text."""
    rows = []
    for name, said in dict(model.get("witnesses", {})).items():
        if isinstance(said, dict):
            parts = [f"{key.replace('_', ' ')}: {_plain(value)}" for key, value in said.items()]
            rows.append((str(name), "; ".join(parts)))
        else:
            rows.append((str(name), str(said)))
    return rows


def _plain(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.3g}"
    if isinstance(value, dict):
        return ", ".join(f"{key} {_plain(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(_plain(item) for item in value)
    return str(value)


def pictures(findings: Findings) -> dict[str, dict[str, Any]]:
    """Return the charts for which this run has data, by name."""
    tables, out = findings.evaluation_tables, {}
    bins, gain = tables.get("calibration"), tables.get("gain")
    if bins is not None and len(bins):
        ours = bins[(bins["method"] == "linemap") & (bins["protocol"] == "blocks")]
        if len(ours):
            out["reliability"] = _picture(
                charts.reliability_chart(ours),
                "Dots on the diagonal keep their promise; above it the scores are too low, below "
                "it too high. Homes were held out by place.",
            )
    if gain is not None and len(gain) and (gain["protocol"] == "blocks").any():
        out["gain"] = _picture(
            charts.gain_chart(gain[gain["protocol"] == "blocks"]),
            "The higher a line on the left, the fewer visits for the same finds. Homes were held "
            "out by place.",
        )
    learning = tables.get("learning")
    if learning is not None and "measure" in learning and learning["value"].notna().sum() > 1:
        out["learning"] = _picture(
            charts.learning_chart(learning),
            "A line that still climbs at the right says that more checks would help.",
        )
    year = findings.parcels["year_built"]
    if year.notna().sum() >= 100:
        out["age"] = _picture(
            charts.age_chart(findings.scores, year),
            "Mean estimated probability by year of building, with the middle 80 % of homes.",
        )
    usable = findings.pairs[findings.pairs["verdict"].ne("not_usable")]
    if len(usable.dropna(subset=["first_high", "flushed_high"])):
        out["pairs"] = _picture(
            charts.pair_chart(findings.pairs, limit=_action_level(findings)),
            "Far right and low points to the tap and the house plumbing, high up to the line. A "
            "point in the lower left corner rules nothing out.",
        )
    if len(findings.area_list) > 1:
        out["gap"] = _picture(
            charts.testing_gap_chart(findings.area_list),
            "Where the ring lies left of the dot, people with lead lines are missed by tests.",
        )
    return out


def _action_level(findings: Findings) -> float:
    found = findings.water.get("first", {}).get("percentile_90")
    if isinstance(found, dict) and found.get("level") is not None:
        return float(found["level"])
    return float(all_facts()[f"lead.action_level.{findings.settings.rules.edition}"].value)


def public_content(findings: Findings) -> dict[str, Any]:
    """Return what the public report prints: suppressed area figures only."""
    smallest = findings.settings.outputs.smallest_public_count
    return {
        "note": PUBLIC_NOTE,
        "kit_contact": findings.settings.outputs.kit_contact,
        "smallest": smallest,
        "whole": public_city(findings.area_list, smallest=smallest).to_dict(),
        "areas": _records(public_areas(findings.area_list, smallest=smallest).reset_index()),
    }


def methods_content(findings: Findings) -> dict[str, Any]:
    """Return what the methods page prints."""
    return {
        "model": findings.model,
        "witnesses": witness_rows(findings.model),
        "protocols": _records(findings.evaluation_tables.get("protocols", pd.DataFrame())),
        "meanings": findings.evaluation.get("meaning", {}),
        "cannot_tell": findings.cannot_tell,
        "facts": list(all_facts().values()),
        "tables": {name: list(contract(name).values()) for name in (*INPUT_TABLES, "scores")},
        "settings": findings.settings.model_dump(mode="json", exclude={"folder", "files"}),
        "seed": findings.settings.scoring.seed,
    }
