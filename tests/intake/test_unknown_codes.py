"""Codes that nobody has translated: all of them are told in one go."""

import pandas as pd
import pytest

from linemap.errors import InputError
from linemap.intake import check_table, read_city


def test_all_codes_of_all_tables_are_told_in_one_go(small_city):
    """No row of the lines can be used; the codes of the other columns and tables come too."""
    settings = small_city(
        lines=lambda t: (
            t.replace("lead,lead", "PB,LD")
            .replace("copper,galvanized", "CU,GLV")
            .replace("unknown,,", "NK,,")
            .replace("copper,copper", "CU,CPR")
        ),
        checks=lambda t: t.replace("lead,random", "PB,random"),
        kits=lambda t: t.replace("dont_know", "dunno"),
    )
    with pytest.raises(InputError) as stopped:
        read_city(settings)
    told = {(p.table, p.column): str(p) for p in stopped.value.problems}
    assert {"lines", "checks", "kits"} == {table for table, _ in told}
    utility, customer = told["lines", "utility_material"], told["lines", "customer_material"]
    assert '3 codes are unknown: "CU" = "..." (2 rows), "NK" = "..." (1 row), "PB"' in utility
    assert "Put them under [values.material], each with one of lead, galvanized," in utility
    assert all(f'"{code}" = "..." (1 row)' in customer for code in ("LD", "GLV", "CPR"))
    assert "[PB]" in told["checks", "material"]
    assert "what is not translated is set aside" in told["kits", "filter_used"]


def test_at_most_twenty_codes_are_listed():
    frame = pd.DataFrame({"parcel_id": [str(n) for n in range(23)], "customer_material": "lead"})
    frame["utility_material"] = [f"M{n:02d}" for n in range(23)]
    _, problems = check_table(frame, "lines")
    (note,) = [p for p in problems if p.effect == "note"]
    assert note.reason.startswith('23 codes are unknown: "M00" = "..." (1 row), "M01"')
    assert '"M19"' in note.reason
    assert note.reason.endswith("(1 row), and 3 more.")
    assert "M20" not in note.reason
    assert sum(p.effect == "row" for p in problems) == 23


def test_one_code_that_hides_nothing_is_told_by_its_rows_alone():
    frame = pd.DataFrame({"parcel_id": ["1", "2"], "customer_material": "lead"})
    frame["utility_material"] = ["tin", "tin"]
    assert [p.effect for p in check_table(frame, "lines")[1]] == ["row", "row"]
