"""What the bottles say: valid kits, censored statistics, percentiles, reading a pair."""

from linemap.water.causes import (
    CAUSES,
    PairModel,
    likelihood_ratios,
    update_odds,
)
from linemap.water.censored import CensoredSummary, summarize_censored
from linemap.water.control import ControlThreshold, control_threshold
from linemap.water.counts import KitCounts, kit_counts
from linemap.water.estimates import fit_lognormal, kaplan_meier, ros_sample
from linemap.water.grounds import GROUNDS, Ground, KitRules, replacement_due, set_aside
from linemap.water.high import high_results
from linemap.water.kits import check_kits
from linemap.water.levels import action_level, rule_value
from linemap.water.percentiles import NOT_COMPLIANCE, Percentile90, percentile_90, rank_90
from linemap.water.reading import PairReading, ratio_interval, read_pair, read_pairs
from linemap.water.repeats import (
    WithinHomeSpread,
    one_per_home,
    repeat_tests,
    within_home_spread,
)
from linemap.water.shares import ShareAbove, share_above
from linemap.water.summary import results_summary, summarize_results, water_summary
from linemap.water.volumes import flush_reach, inside_diameter, line_volume

__all__ = [
    "CAUSES",
    "GROUNDS",
    "NOT_COMPLIANCE",
    "CensoredSummary",
    "ControlThreshold",
    "Ground",
    "KitCounts",
    "KitRules",
    "PairModel",
    "PairReading",
    "Percentile90",
    "ShareAbove",
    "WithinHomeSpread",
    "action_level",
    "check_kits",
    "control_threshold",
    "fit_lognormal",
    "flush_reach",
    "high_results",
    "inside_diameter",
    "kaplan_meier",
    "kit_counts",
    "likelihood_ratios",
    "line_volume",
    "one_per_home",
    "percentile_90",
    "rank_90",
    "ratio_interval",
    "read_pair",
    "read_pairs",
    "repeat_tests",
    "replacement_due",
    "results_summary",
    "ros_sample",
    "rule_value",
    "set_aside",
    "share_above",
    "summarize_censored",
    "summarize_results",
    "update_odds",
    "water_summary",
    "within_home_spread",
]
