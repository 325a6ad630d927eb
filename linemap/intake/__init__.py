"""Stage 1: read, check and join the utility's files.

Every file becomes a table of the contract or a list of reasons why not. Nothing is guessed: a
value that cannot be read is set aside and listed with what would mend it.
"""

from linemap.intake.checker import check_table
from linemap.intake.city import Intake, read_city, read_opt_outs, read_parcels, read_samples
from linemap.intake.dates import parse_date
from linemap.intake.late_dates import latest_date
from linemap.intake.reading import read_table
from linemap.intake.report import quarantine_table, summarize_problems
from linemap.intake.results import Reading, parse_result
from linemap.intake.state import State, part_state

__all__ = [
    "Intake",
    "Reading",
    "State",
    "check_table",
    "latest_date",
    "parse_date",
    "parse_result",
    "part_state",
    "quarantine_table",
    "read_city",
    "read_opt_outs",
    "read_parcels",
    "read_samples",
    "read_table",
    "summarize_problems",
]
