"""The public names are those that are listed, each is there, and each is documented."""

import inspect
import re

import pytest

import linemap as lm

PUBLIC = [
    "CityRun", "ClusterError", "DatabaseError", "run_cities", "store_run",
    "correct_round", "lead_remaining", "list_areas", "look_back", "review_rounds",
    "ArgumentError", "City", "Evaluation", "Evidence", "EvidenceError", "Fact", "InputError",
    "InputWarning", "KitPlan", "Ledger", "LimitsError", "LineModel", "LinemapError",
    "PlaceGraph", "Problem", "Run", "RunFolderError", "Scored", "Settings", "SettingsError",
    "action_level", "all_facts", "build_features", "build_graph", "charts", "check",
    "check_kits", "check_labels", "check_table", "choose_kits", "classify_line",
    "classify_lines", "close_round", "contract", "control_threshold", "draw_map",
    "draw_public_map", "estimate_from_log", "evaluate", "evaluate_again", "evaluate_scores",
    "expected_return", "fact", "fairness", "flush_reach", "forecast_round", "homes_table",
    "inventory_summary", "kit_counts", "line_volume", "load_settings", "notices_due",
    "open_round", "parse_date", "parse_result", "parse_settings", "percentile_90",
    "prioritize", "quarantine_table", "rank_90", "rank_areas", "read_city", "read_pair",
    "read_pairs", "read_parcels", "read_results", "read_samples", "read_table",
    "record_labels", "redraw_maps", "repeat_run", "repeat_tests", "replacement_pace",
    "results_summary", "run", "score_city", "set_aside", "share_above", "show_table",
    "summarize_censored",
    "summarize_problems", "suppress_small_counts", "table_names", "validation_estimate",
    "validation_pool", "validation_sample", "validation_size", "water_summary", "write_list",
]  # fmt: skip


def test_no_public_name_comes_or_goes_unnoticed():
    assert sorted(lm.__all__) == sorted(PUBLIC)


@pytest.mark.parametrize("name", sorted(PUBLIC))
def test_public_name_is_there_and_documented(name):
    thing = getattr(lm, name)
    text = inspect.getdoc(thing)
    assert text
    if inspect.isfunction(thing):
        takes = list(inspect.signature(thing).parameters.values())
        gives = inspect.signature(thing).return_annotation
        assert all(p.annotation is not inspect.Parameter.empty for p in takes), "typed"
        assert not takes or re.search(r"^Parameters$", text, re.M) or len(text.split("\n")) == 1
        assert (
            gives in (None, "None")
            or re.search(r"^(Returns|Yields)$", text, re.M)
            or (len(text.split("\n")) == 1)
        ), "says what it returns"


def test_an_unknown_name_is_refused():
    with pytest.raises(AttributeError, match="no attribute 'scoor'"):
        lm.scoor  # noqa: B018
