"""Summaries of the water results in plain sentences."""

from __future__ import annotations

from typing import Any


def say_results(summary: dict[str, Any]) -> list[str]:
    """Put a summary of a laboratory file into sentences.

    Parameters
    ----------
    summary : dict
        As made by :func:`linemap.water.results_summary`.

    Returns
    -------
    list of str
        Validity, then each set of results, then the cautions.
    """
    verdicts = summary["verdicts"]
    counts = ", ".join(f"{n:,} {name.replace('_', ' ')}" for name, n in verdicts.items())
    said = [f"{summary['results']:,} results of {sum(verdicts.values()):,} kits: {counts}."]
    if summary["reasons"]:
        grounds = ", ".join(f"{reason} ({n:,})" for reason, n in summary["reasons"].items())
        said.append(f"Grounds: {grounds}.")
    if alone := summary["copper_alone"]:
        kits = "1 kit counts" if alone == 1 else f"{alone:,} kits count"
        said.append(f"{kits} for copper only: no readable lead result.")
    for name, found in summary["sets"].items():
        said += say_set(name, found)
    return [*said, *summary["cautions"]]


def say_set(name: str, found: dict[str, Any]) -> list[str]:
    """Put one set of results into sentences; see :func:`linemap.water.summarize_results`."""
    analyte, _, draw = name.partition(", ")
    title = f"{analyte.capitalize()}, {draw} bottle"
    if not found["n"]:
        return [f"{title}: no readable results."]
    plural = "" if found["n"] == 1 else "s"
    said = [f"{title}: {found['n']:,} result{plural}, {found['non_detects']:,} below the limit."]
    percentile = found["percentile_90"]
    sentence = percentile if isinstance(percentile, str) else f"{percentile['sentence']}."
    said.append(sentence[0].upper() + sentence[1:])
    rows = {row["method"]: row for row in found["methods"]}
    if found["advised"] in rows:
        row = rows[found["advised"]]
        said.append(
            f"{found['advised']}: mean {_figure(row, 'mean')}, median {_figure(row, 'median')}."
        )
    said.append(found["why"])
    for share in found["above"]:
        if isinstance(share, str):
            said.append(share[0].upper() + share[1:])
            continue
        said.append(
            f"{share['above']:,} of {share['n']:,} results above {share['level']:g} ug/L: "
            f"{share['share']:.1%} ({share['low']:.1%} to {share['high']:.1%})."
        )
    return said


def _figure(row: dict[str, Any], name: str) -> str:
    """Return a figure with its interval [ug/L], or why there is none."""
    if row[name] is None:
        return "below every limit"
    if row[f"{name}_low"] is None:
        return f"{row[name]:.3g} ug/L"
    return f"{row[name]:.3g} ug/L ({row[f'{name}_low']:.3g} to {row[f'{name}_high']:.3g})"
