"""Who gets the next kits: chance of return, worth of a kit, the list, areas, rounds."""

from linemap.outreach.alarm import Charts, control_charts
from linemap.outreach.areas import rank_areas
from linemap.outreach.audit import AuditDesign, audit_chances
from linemap.outreach.estimates import estimate_from_log
from linemap.outreach.fairness import fairness
from linemap.outreach.forecast import forecast_round
from linemap.outreach.history import kit_history, since_rounds, with_rounds
from linemap.outreach.limits import income_third
from linemap.outreach.looks import homes_to_look_at
from linemap.outreach.plan import KitPlan, choose_kits
from linemap.outreach.remaining import lead_remaining
from linemap.outreach.response import ReturnForecast, expected_return
from linemap.outreach.review import review_rounds
from linemap.outreach.rounds import Ledger
from linemap.outreach.value import kit_value

__all__ = [
    "AuditDesign",
    "Charts",
    "KitPlan",
    "Ledger",
    "ReturnForecast",
    "audit_chances",
    "choose_kits",
    "control_charts",
    "estimate_from_log",
    "expected_return",
    "fairness",
    "forecast_round",
    "homes_to_look_at",
    "income_third",
    "kit_history",
    "kit_value",
    "lead_remaining",
    "rank_areas",
    "review_rounds",
    "since_rounds",
    "with_rounds",
]
