"""What the methods page prints."""

from __future__ import annotations

from typing import Any

import pandas as pd

from linemap.outputs.findings import Findings
from linemap.outputs.reports.staff_report import cannot_tell, records
from linemap.outputs.reports.witness_words import source_names, witness_words
from linemap.published import all_facts
from linemap.tables import INPUT_TABLES, contract

TARGET_WORDS = {
    "lead": "that any part of the service line, on either side, is lead",
    "needs_replacement": "that any part of the service line is lead, or is galvanized pipe that "
    "may have been below lead",
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
        "meanings": findings.evaluation.get("meaning", {}),
        "cannot_tell": cannot_tell(findings),
        "facts": list(all_facts().values()),
        "tables": {name: list(contract(name).values()) for name in (*INPUT_TABLES, "scores")},
        "settings": findings.settings.model_dump(mode="json", exclude={"folder", "files"}),
        "seed": findings.settings.scoring.seed,
    }
