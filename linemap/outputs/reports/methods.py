"""What the methods page prints."""

from __future__ import annotations

from typing import Any

import pandas as pd

from linemap.outputs.findings import Findings
from linemap.outputs.reports.staff_report import PROTOCOL_WORDS, cannot_tell, records
from linemap.outputs.reports.witness_words import source_names, witness_words
from linemap.published import all_facts
from linemap.tables import INPUT_TABLES, contract, listed_columns

TARGET_WORDS = {
    "lead": "that any part of the service line, on either side, is lead",
    "needs_replacement": "that any part of the service line is lead, or is galvanized pipe that "
    "may have been below lead",
}

LISTS = {
    "lists/kits.csv": ("kit_list", "kit_list"),
    "lists/areas.csv": ("area_list", "area_list"),
    "lists/looks.csv": ("looks", "look_list"),
    "lists/high_results.csv": ("high", "high_list"),
    "lists/audit.csv": ("audit", "audit_list"),
    "lists/fairness.csv": ("fairness", "fairness_list"),
}
"""Each list with its table among the findings and its contract."""

MEASURE_NAMES = {
    "auc": "Ranking",
    "average_precision": "Average precision",
    "hits_at_5pct": "Lead among the first 5% of the list",
    "hits_at_10pct": "Lead among the first 10% of the list",
    "hits_at_20pct": "Lead among the first 20% of the list",
    "callable_share_90": "Share that can be called lead at 90% precision",
    "brier": "Mean squared error (Brier score)",
    "log_loss": "Log loss",
    "ece": "Promised against found rate (expected calibration error)",
    "calibration_slope": "Slope of the calibration line",
    "calibration_intercept": "Level of the calibration line",
    "lift_at_5pct": "Gain on oldest first in the first 5%",
    "lift_at_10pct": "Gain on oldest first in the first 10%",
    "lift_at_20pct": "Gain on oldest first in the first 20%",
}
"""Measures of the evaluation as a reader knows them."""


def meanings(said: dict[str, dict[str, str]]) -> dict[str, list[tuple[str, str, str]]]:
    """Return what each measure and simpler way means: name, meaning and code in the tables."""
    return {
        kind: [
            (MEASURE_NAMES.get(code, code.capitalize()), text, code) for code, text in of.items()
        ]
        for kind, of in said.items()
    }


def methods_content(findings: Findings) -> dict[str, Any]:
    """Return what the methods page prints.

    Parameters
    ----------
    findings : Findings

    Returns
    -------
    dict
    """
    model = findings.model
    return {
        "target": TARGET_WORDS.get(model.get("target", ""), model.get("target", "not given")),
        "sources": source_names(model),
        "witnesses": witness_words(model),
        "protocols": records(findings.evaluation_tables.get("protocols", pd.DataFrame())),
        "meanings": meanings(findings.evaluation.get("meaning", {})),
        "protocol_words": {
            name: words.capitalize() if name == "audit" else f"Checks hidden {words}"
            for name, words in PROTOCOL_WORDS.items()
        },
        "cannot_tell": cannot_tell(findings),
        "facts": list(all_facts().values()),
        "tables": {
            **{name: list(contract(name).values()) for name in (*INPUT_TABLES, "scores")},
            **{
                file: listed_columns(getattr(findings, table), name)
                for file, (table, name) in LISTS.items()
            },
        },
        "settings": findings.settings.model_dump(mode="json", exclude={"folder", "files"}),
        "seed": findings.settings.scoring.seed,
    }
