"""The pages of a run: staff report, public report, methods. Self-contained and printable."""

from linemap.outputs.reports.limits_of_data import limits_of_data
from linemap.outputs.reports.pages import write_reports

__all__ = ["limits_of_data", "write_reports"]
