"""Every error that linemap raises on purpose, and the record of one input problem.

::

    LinemapError
    ├── SettingsError    the settings file is wrong (all faults at once)
    ├── InputError       the utility's files cannot be used (all problems at once)
    ├── EvidenceError    there is nothing honest to learn from
    ├── ArgumentError    a function was called with values it cannot accept
    ├── LimitsError      budget, floors and caps contradict each other
    ├── RunFolderError   a run folder is missing, unfinished, busy or not writable
    ├── DatabaseError    a database is not named rightly, not reached, or refuses
    └── ClusterError     a cluster is not reached, or what is needed for it is not installed

    InputWarning (a UserWarning)   rows were set aside, or something should be looked at

A planner sees the message of these errors and nothing else, so each message
says what is wrong, where, and what to do next.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Effect = Literal["stop", "row", "cell", "note"]


class LinemapError(Exception):
    """Parent of every error that linemap raises on purpose."""


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with one input, and what to do about it.

    Attributes
    ----------
    file : str
        The file as named in the settings.
    table : str
        Table of the contract, e.g. ``parcels``.
    column, row, value : str
        Where it is; row counts from 1 below the header, empty for a whole column or file.
    reason, remedy : str
        Plain sentences.
    effect : {"stop", "row", "cell", "note"}
        ``stop``: nothing can be done until it is mended. ``row``: the row is set aside.
        ``cell``: the value is set aside, the row is used. ``note``: nothing is set aside,
        but somebody should look.
    """

    file: str
    table: str
    column: str
    row: str
    value: str
    reason: str
    remedy: str
    effect: Effect = "stop"

    def __str__(self) -> str:
        where = [self.file or self.table]
        if self.file and self.table:
            where.append(f"table {self.table}")
        if self.column:
            where.append(f"column {self.column}")
        if self.row:
            where.append(f"row {self.row}")
        value = f" [{self.value}]" if self.value else ""
        return f"{', '.join(where)}{value}: {self.reason} {self.remedy}".strip()


class SettingsError(LinemapError):
    """The settings file is wrong; the message lists every fault."""

    def __init__(self, faults: Sequence[str], source: str = "settings") -> None:
        self.faults = list(faults)
        lines = "\n".join(f"  - {fault}" for fault in self.faults)
        super().__init__(f"{source}: {len(self.faults)} fault(s) in the settings\n{lines}")


class InputError(LinemapError):
    """The input files cannot be used; ``problems`` lists every reason.

    ``others`` holds the rows, cells and notes that were found besides, for a full report.
    """

    def __init__(
        self, problems: Sequence[Problem], shown: int = 50, others: Sequence[Problem] = ()
    ) -> None:
        self.problems = list(problems)
        self.others = list(others)
        lines = [f"  - {problem}" for problem in self.problems[:shown]]
        if len(self.problems) > shown:
            lines.append(f"  - ... and {len(self.problems) - shown} more")
        head = f"{len(self.problems)} input problem(s) must be mended first"
        super().__init__("\n".join([head, *lines]))


class EvidenceError(LinemapError):
    """There is nothing honest to learn from."""


class ArgumentError(LinemapError, ValueError):
    """A function was called with values that it cannot accept."""


class LimitsError(LinemapError):
    """Budget, floors and caps contradict each other; the message names which."""


class RunFolderError(LinemapError):
    """A run folder is missing, unfinished, in use or not writable."""


class DatabaseError(LinemapError):
    """A database is not named rightly, cannot be reached, or refuses what is asked of it.

    ``reason`` says so without the address.
    """

    def __init__(self, reason: str, address: str = "") -> None:
        self.reason = reason
        super().__init__(f"{address}: {reason}" if address else reason)


class ClusterError(LinemapError):
    """A cluster cannot be reached, or what is needed for it is not installed."""


class InputWarning(UserWarning):
    """Rows or values of a file were set aside, or something in it should be looked at."""
