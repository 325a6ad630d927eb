"""What the texts call the labels: checks are findings, entries of the record are not."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Words:
    """Words for one kind of label.

    Attributes
    ----------
    homes : str
        What a home with a label is: checked or recorded.
    one, many : str
        A label, and labels.
    say : str
        Labels as the subject of what they tell.
    hidden : str
        What hiding takes away and what stays as evidence.
    """

    homes: str
    one: str
    many: str
    say: str
    hidden: str


CHECKS = Words(
    homes="checked",
    one="check",
    many="checks",
    say="checks found",
    hidden="The hidden homes' checks are taken out of fitting; their records, kits and answers "
    "stay usable as evidence, and a record is never used as the label.",
)
RECORDS = Words(
    homes="recorded",
    one="record entry",
    many="record entries",
    say="records say",
    hidden="The hidden homes' record entries are taken out of fitting and serve as labels; every "
    "figure is agreement with the record, not with the truth.",
)

WORDS = {"checks": CHECKS, "records": RECORDS}
"""Words by where the labels come from."""
