"""The table and the page over the cities of a run of several."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from linemap.outputs.lists import write_csv
from linemap.outputs.reports.pages import page_environment
from linemap.outputs.wording import CAUTIONS, PROBABILITY_CAUTION

FIGURES = ("parcels", "unknown_lines", "expected_lead_lines", "low", "high", "kits", "set_aside")
"""Figures of a city, as in its ``run.json``."""

PAGES = (
    ("staff/map.html", "map"),
    ("staff/report.html", "report"),
    ("lists/kits.xlsx", "kits"),
    ("public/report.html", "public report"),
)


def cities_table(cities: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Return one row for each city.

    Parameters
    ----------
    cities : sequence of dict
        ``name, folder, error, result, judged_on, seconds`` of each.

    Returns
    -------
    DataFrame
        ``city, folder, done``, the figures of the run, ``judged`` [homes], ``seconds`` [s] and
        ``error``.
    """
    rows = [
        {
            "city": city["name"],
            "folder": city["folder"],
            "done": "no" if city["error"] else "yes",
            **{name: city["result"].get(name) for name in FIGURES},
            "judged": city["judged_on"].get("judged"),
            "seconds": city["seconds"],
            "error": city["error"],
        }
        for city in cities
    ]
    return pd.DataFrame(rows)


def cities_total(table: pd.DataFrame) -> dict[str, float]:
    """Return the sums over the cities that are done.

    Notes
    -----
    The ends of the intervals are added as they are. That is right where the cities err together
    and too wide where they do not: all of them start from the same published rates.

    Examples
    --------
    >>> one = {"name": "A", "folder": "a", "error": "", "judged_on": {}, "seconds": 1.0,
    ...        "result": {"expected_lead_lines": 10.0, "low": 5.0, "high": 20.0}}
    >>> total = cities_total(cities_table([one, one]))
    >>> total["low"], total["expected_lead_lines"], total["high"]
    (10.0, 20.0, 40.0)
    """
    done = table[table["done"] == "yes"]
    return {name: float(done[name].astype(float).sum()) for name in FIGURES}


def write_cities(
    cities: Sequence[Mapping[str, Any]], folder: Path, *, versions: Mapping[str, str]
) -> None:
    """Write ``cities.csv`` and ``index.html``; for staff.

    Parameters
    ----------
    cities : sequence of dict
        As for :func:`cities_table`, with ``versions`` of the worker.
    folder : Path
    versions : dict
        Versions where the job was started; cities done by others are named.
    """
    table = cities_table(cities)
    write_csv(table, folder / "cities.csv")
    others = [c["name"] for c in cities if not c["error"] and dict(c["versions"]) != dict(versions)]
    text = (
        page_environment()
        .get_template("cities.html")
        .render(
            city="Several cities",
            cities=table.to_dict("records"),
            total=cities_total(table),
            failed=int((table["done"] == "no").sum()),
            others=others,
            pages=PAGES,
            cautions=CAUTIONS,
            probability_caution=PROBABILITY_CAUTION,
        )
    )
    (folder / "index.html").write_text(text, encoding="utf-8")
