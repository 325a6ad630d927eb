"""What the rules call each line: classes, counts, dates and the validation sample."""

from linemap.inventory.classes import LineClass, classify_line, classify_lines
from linemap.inventory.deadlines import inventory_dates, notices_due, results_notice_due
from linemap.inventory.estimate import SampleEstimate, audit_estimate, validation_estimate
from linemap.inventory.limits import (
    finite_population_size,
    lines_at_most,
    lines_interval,
    share_at_most,
    share_interval,
    zero_find_size,
)
from linemap.inventory.pace import replacement_pace
from linemap.inventory.pool import validation_exemptions, validation_pool
from linemap.inventory.sample import (
    SampleSize,
    audit_list,
    audit_sample,
    audit_size,
    validation_sample,
    validation_size,
)
from linemap.inventory.summary import inventory_summary

__all__ = [
    "LineClass",
    "SampleEstimate",
    "SampleSize",
    "audit_estimate",
    "audit_list",
    "audit_sample",
    "audit_size",
    "classify_line",
    "classify_lines",
    "finite_population_size",
    "inventory_dates",
    "inventory_summary",
    "lines_at_most",
    "lines_interval",
    "notices_due",
    "replacement_pace",
    "results_notice_due",
    "share_at_most",
    "share_interval",
    "validation_estimate",
    "validation_exemptions",
    "validation_pool",
    "validation_sample",
    "validation_size",
    "zero_find_size",
]
