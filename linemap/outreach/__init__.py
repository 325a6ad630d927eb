"""Who gets the next kits: chance of return, worth of a kit, the list, areas, rounds."""

from linemap.outreach.areas import rank_areas
from linemap.outreach.fairness import fairness
from linemap.outreach.limits import income_third
from linemap.outreach.plan import AuditDesign, KitPlan, choose_kits
from linemap.outreach.response import ReturnForecast, expected_return, kit_history
from linemap.outreach.value import kit_value

__all__ = [
    "AuditDesign",
    "KitPlan",
    "ReturnForecast",
    "choose_kits",
    "expected_return",
    "fairness",
    "income_third",
    "kit_history",
    "kit_value",
    "rank_areas",
]
