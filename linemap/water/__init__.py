"""What the bottles say: valid kits, censored statistics, percentiles, reading a pair."""

from linemap.water.grounds import GROUNDS, Ground, KitRules, replacement_due, set_aside
from linemap.water.kits import check_kits

__all__ = [
    "GROUNDS",
    "Ground",
    "KitRules",
    "check_kits",
    "replacement_due",
    "set_aside",
]
