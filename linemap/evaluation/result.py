"""The evaluation as one frozen value: tables for files, a dictionary for JSON."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

import pandas as pd

from linemap.evaluation import baselines, measures
from linemap.evaluation.calibration import Calibration
from linemap.evaluation.cautions import Caution
from linemap.evaluation.folds import NAMES
from linemap.evaluation.headline import Headline
from linemap.evaluation.overlap import Overlap
from linemap.evaluation.prevalence import COLUMNS as PREVALENCE_COLUMNS
from linemap.evaluation.words import WORDS
from linemap.printing import Spoken, plain_values
from linemap.published import fact

MEASURE_COLUMNS = (
    "protocol",
    "weighting",
    "method",
    "measure",
    "value",
    "low",
    "high",
    "perfect_low",
    "perfect_high",
    "ahead",
    "ahead_low",
    "ahead_high",
    "rows",
    "lead",
)

CAUTION = (
    "A score is a probability, not a finding: it never sets an inventory class, and a low one "
    "never clears a home."
)


PUBLISHED = ("evaluation.callable_share_pittsburgh", "evaluation.spatial_range_flint")
"""Published figures to read the results beside."""


def _empty(*columns: str) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype=float) for name in columns})


@dataclass(frozen=True, repr=False)
class Evaluation(Spoken):
    """How right the scores are, by every protocol, beside simpler ways.

    Attributes
    ----------
    headline : Headline or None
        Share of homes callable at 90% precision; None with ``headline_reason`` where the
        checks cannot carry it.
    headline_reason : str
    labels : {"checks", "records"}
        What was judged against.
    counts : dict
        Homes, checked, judged, lead, judged by reason.
    ranges : dict
        Estimated spatial ranges [m] and block edge used [m].
    protocols : DataFrame
        ``protocol``, ``text``, ``fits``, ``rows``, ``lead`` and facts of each protocol.
    measures : DataFrame
        Of the scores. Columns :data:`MEASURE_COLUMNS`; ``low``, ``high`` are block-bootstrap
        ends (95%), ``perfect_*`` the band of a perfect model (calibration error only).
    baselines : DataFrame
        The same for the baselines; ``ahead`` is by how much the scores beat them.
    groups : DataFrame
        By era, area, income third, record and reason of the check.
    calibration : DataFrame
        Promised against found by bin.
    gain : DataFrame
        Lead found against homes looked at, by method.
    learning : DataFrame
        Measures against the share of checks that is visible.
    prevalence : DataFrame
        Lead lines left, four ways.
    choice : Calibration
        Whether to bend the probabilities.
    overlap : Overlap or None
    cautions : tuple of Caution
    """

    headline: Headline | None
    headline_reason: str
    labels: str
    counts: dict[str, Any]
    ranges: dict[str, float] = field(default_factory=dict)
    protocols: pd.DataFrame = field(default_factory=lambda: _empty("protocol", "text", "fits"))
    measures: pd.DataFrame = field(default_factory=lambda: _empty(*MEASURE_COLUMNS))
    baselines: pd.DataFrame = field(default_factory=lambda: _empty(*MEASURE_COLUMNS))
    groups: pd.DataFrame = field(default_factory=lambda: _empty("protocol", "kind", "group"))
    calibration: pd.DataFrame = field(default_factory=lambda: _empty("protocol", "method", "bin"))
    gain: pd.DataFrame = field(default_factory=lambda: _empty("protocol", "method", "looked"))
    learning: pd.DataFrame = field(default_factory=lambda: _empty("visible_share", "measure"))
    prevalence: pd.DataFrame = field(default_factory=lambda: _empty(*PREVALENCE_COLUMNS))
    choice: Calibration = field(default_factory=Calibration)
    overlap: Overlap | None = None
    cautions: tuple[Caution, ...] = ()

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the tables by name, each a file of the folder ``evaluation/``."""
        return {
            "protocols": self.protocols,
            "measures": self.measures,
            "baselines": self.baselines,
            "groups": self.groups,
            "calibration": self.calibration,
            "recalibration": self.choice.tried,
            "gain": self.gain,
            "learning": self.learning,
            "prevalence": self.prevalence,
            "warnings": pd.DataFrame(
                [asdict(c) for c in self.cautions], columns=["code", "text", "severe"]
            ),
        }

    @property
    def warnings(self) -> list[str]:
        """Return what a reader must know before trusting a figure, one sentence or two each."""
        return [caution.text for caution in self.cautions]

    @property
    def caution(self) -> str:
        """Return what every figure must be read with."""
        return f"{CAUTION} Figures hold for homes like those that were {WORDS[self.labels].homes}."

    def sentences(self) -> list[str]:
        """Return the evaluation in plain sentences, the most important first."""
        counts, out = self.counts, []
        out.append(
            f"{counts['judged']:,} of {counts['homes']:,} homes are judged by, "
            f"{counts['judged_lead']:,} of them with "
            + ("lead." if self.labels == "checks" else "lead by the record.")
        )
        out.append(self.headline.text if self.headline else self.headline_reason)
        for protocol in dict.fromkeys(self.measures["protocol"]):
            value, low, high = self.value("auc", protocol=protocol)
            rule = self.value("auc", protocol=protocol, method="age rule")[0]
            miss = self.value("ece", protocol=protocol)[0]
            out.append(
                f"{NAMES[protocol].capitalize()}: chance that lead is ranked above non-lead "
                f"{value:.2f} (95% interval {low:.2f} to {high:.2f}), by the age rule {rule:.2f}; "
                f"promised and found rates differ by {100 * miss:.1f} percentage points."
            )
        drawn = self.prevalence[self.prevalence["way"] == "random checks"]
        for row in drawn[drawn["checked"] > 0].to_dict("records"):
            homes = "homes without a record" if row["homes"] == "no record" else "all open homes"
            span = f"{row['left_low']:,.0f} to {row['left_high']:,.0f}"
            out.append(
                f"From {row['checked']:,} random checks among {homes}: about "
                f"{row['lead_lines_left']:,.0f} lead lines not yet found (95% interval {span})."
            )
        return [*out, *self.warnings, self.caution]

    def value(
        self, measure: str, *, protocol: str = "blocks", method: str = "linemap"
    ) -> tuple[float, float, float]:
        """Return one measure with its interval, checks as they are; NaN where not judged."""
        table = self.measures if method == "linemap" else self.baselines
        row = table[
            (table["measure"] == measure)
            & (table["protocol"] == protocol)
            & (table["method"] == method)
            & (table["weighting"] == "as checked")
        ]
        if row.empty:
            return float("nan"), float("nan"), float("nan")
        first = row.iloc[0]
        return float(first["value"]), float(first["low"]), float(first["high"])

    def to_dict(self) -> dict[str, Any]:
        """Return everything but the long curves as plain values, NaN as None."""
        skip = {"gain", "calibration", "groups", "recalibration", "warnings"}
        choice = {k: v for k, v in vars(self.choice).items() if k != "tried"}
        overlap = None
        if self.overlap is not None:
            overlap = {k: v for k, v in vars(self.overlap).items() if k != "weights"}
        out = {
            "caution": self.caution,
            "headline": None if self.headline is None else self.headline.to_dict(),
            "headline_reason": self.headline_reason,
            "labels": self.labels,
            "counts": self.counts,
            "ranges": self.ranges,
            "warnings": [asdict(c) for c in self.cautions],
            "recalibration": choice,
            "overlap": overlap,
            "meaning": {"measures": measures.MEANING, "baselines": baselines.MEANING},
            "published": [str(fact(name)) for name in PUBLISHED],
            **{k: t.to_dict(orient="records") for k, t in self.tables().items() if k not in skip},
        }
        plain: dict[str, Any] = plain_values(out)
        return plain
