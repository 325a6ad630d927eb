"""What the public report prints: suppressed figures of areas and nothing else."""

from __future__ import annotations

from typing import Any

from linemap.outputs import charts
from linemap.outputs.findings import Findings
from linemap.outputs.public import outside_areas, public_areas, public_city, public_interval
from linemap.outputs.reports.pictures import picture
from linemap.outputs.wording import PUBLIC_NOTE, left_out_in_words, rounding_in_words


def public_content(findings: Findings) -> dict[str, Any]:
    """Return what the public report prints.

    Parameters
    ----------
    findings : Findings
        Only its list of areas, sums over its scores, the city's total, the settings and the day
        are used.

    Returns
    -------
    dict
    """
    smallest = findings.settings.outputs.smallest_public_count
    outside = outside_areas(findings.scores, findings.area_list)
    areas = public_areas(findings.area_list, outside=outside, smallest=smallest)
    by_name = areas.sort_values("name").reset_index()
    shown = areas["expected_lead_lines"].notna().sum()
    whole = public_city(findings.scores, findings.area_list, smallest=smallest)
    if "(city)" in findings.expected.index and whole["expected_lead_lines"] > 0:
        city = findings.expected.astype(float).to_dict("index")["(city)"]
        whole["interval"] = public_interval(city["low"], city["high"], smallest=smallest)
    return {
        "note": PUBLIC_NOTE,
        "kit_contact": findings.settings.outputs.kit_contact,
        "smallest": smallest,
        "rounding": rounding_in_words(smallest),
        "left_out": left_out_in_words(smallest),
        "whole": whole,
        "areas": [{str(k): v for k, v in row.items()} for row in by_name.to_dict("records")],
        "expected": picture(charts.expected_chart(areas), "expected") if shown > 1 else None,
    }
