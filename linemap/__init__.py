"""Where lead service lines probably are, how sure that is and why, and who gets the next kits.

Every public name is listed once, in ``_HOMES``, and imported when it is first used::

    import linemap as lm

    run = lm.run(lm.load_settings("settings.toml"), "DIR")
    run.scores.sort_values("p_lead", ascending=False).head()
    lm.prioritize(run, kits=200).kits

A probability is an estimate, not a finding; it never changes an inventory class, and a low one
never clears a home.
"""

from importlib import import_module
from typing import Any

_HOMES = {
    "linemap.errors": (
        "ArgumentError",
        "ClusterError",
        "DatabaseError",
        "EvidenceError",
        "InputError",
        "InputWarning",
        "LimitsError",
        "LinemapError",
        "Problem",
        "RunFolderError",
        "SettingsError",
    ),
    "linemap.settings": ("Settings", "load_settings", "parse_settings"),
    "linemap.tables": ("City", "contract", "table_names"),
    "linemap.published": ("Fact", "all_facts", "fact"),
    "linemap.intake": (
        "check_table",
        "parse_date",
        "parse_result",
        "quarantine_table",
        "read_city",
        "read_parcels",
        "read_samples",
        "read_table",
        "summarize_problems",
    ),
    "linemap.inventory": (
        "classify_line",
        "classify_lines",
        "inventory_summary",
        "notices_due",
        "replacement_pace",
        "validation_estimate",
        "validation_pool",
        "validation_sample",
        "validation_size",
    ),
    "linemap.water": (
        "action_level",
        "check_kits",
        "control_threshold",
        "flush_reach",
        "kit_counts",
        "line_volume",
        "percentile_90",
        "rank_90",
        "read_pair",
        "read_pairs",
        "repeat_tests",
        "results_summary",
        "set_aside",
        "share_above",
        "summarize_censored",
        "water_summary",
    ),
    "linemap.features": ("PlaceGraph", "build_features", "build_graph"),
    "linemap.scoring": ("Evidence", "LineModel"),
    "linemap.evaluation": ("Evaluation", "check_labels", "evaluate", "record_labels"),
    "linemap.outreach": (
        "KitPlan",
        "Ledger",
        "choose_kits",
        "estimate_from_log",
        "expected_return",
        "fairness",
        "forecast_round",
        "lead_remaining",
        "rank_areas",
        "review_rounds",
    ),
    "linemap.outputs": ("charts", "draw_public_map", "show_table", "suppress_small_counts"),
    "linemap.run_folder": ("Run",),
    "linemap.assembly": ("Scored", "homes_table"),
    "linemap.pipeline": ("check", "evaluate_scores", "run", "score_city"),
    "linemap.cluster": ("CityRun", "run_cities"),
    "linemap.followup": (
        "draw_map",
        "evaluate_again",
        "list_areas",
        "prioritize",
        "read_results",
        "redraw_maps",
        "repeat_run",
        "store_run",
        "write_list",
    ),
    "linemap.rounds": ("close_round", "correct_round", "look_back", "open_round"),
}
_HOME_OF = {name: module for module, names in _HOMES.items() for name in names}

__all__ = sorted(_HOME_OF)


def __getattr__(name: str) -> Any:
    if name not in _HOME_OF:
        raise AttributeError(f"module 'linemap' has no attribute {name!r}")
    return getattr(import_module(_HOME_OF[name]), name)


def __dir__() -> list[str]:
    return list(__all__)
