"""The evaluation as one frozen value: tables for files, a dictionary for JSON."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from linemap.evaluation import baselines, measures
from linemap.evaluation.calibration import Calibration
from linemap.evaluation.cautions import FEWEST_OF_A_KIND, Caution
from linemap.evaluation.folds import NAMES
from linemap.evaluation.headline import Headline
from linemap.evaluation.intervals import span_in_words
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
    "blocks",
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
        ends (95%), ``perfect_*`` the band of a perfect model (calibration error only),
        ``blocks`` the number of blocks that were drawn from.
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
        out += [self._ranked(name) for name in dict.fromkeys(self.measures["protocol"])]
        drawn = self.prevalence[self.prevalence["way"] == "random checks"]
        for row in drawn[drawn["checked"] >= FEWEST_OF_A_KIND].to_dict("records"):
            homes = "homes without a record" if row["homes"] == "no record" else "all open homes"
            span = f"{row['left_low']:,.0f} to {row['left_high']:,.0f}"
            out.append(
                f"From {row['checked']:,} random checks among {homes}: about "
                f"{row['lead_lines_left']:,.0f} lead lines not yet found (95% interval {span})."
            )
        return [*out, *self.warnings, self.caution]

    def _ranked(self, protocol: str) -> str:
        """Say in a sentence how one way of hiding judges the ranking and the probabilities."""
        name, words = NAMES[protocol].capitalize(), WORDS[self.labels]
        auc, rule = self._row("auc", protocol), self._row("auc", protocol, "age rule")
        if auc is None or not np.isfinite(auc["value"]):
            rows = self.measures[self.measures["protocol"] == protocol].iloc[0]
            kind = "with lead" if rows["lead"] else "without lead"
            return f"{name}: not judged, since all {rows['rows']:,} homes {words.homes} are {kind}."
        text = (
            f"{name}: chance that lead is ranked above non-lead {auc['value']:.2f} "
            f"({span_in_words(auc['low'], auc['high'], '.2f')})"
        )
        if rule is not None:
            text += f", by the age rule {rule['value']:.2f}"
        miss = self._row("ece", protocol)
        if self.labels == "records" or miss is None:
            return f"{text}."
        told = {k: 100 * miss[k] for k in ("value", "low", "high", "perfect_low", "perfect_high")}
        return (
            f"{text}; promised and found rates differ by {told['value']:.1f} percentage points "
            f"({span_in_words(told['low'], told['high'], '.1f')}; a perfect model would show "
            f"{told['perfect_low']:.1f} to {told['perfect_high']:.1f})."
        )

    def _row(
        self, measure: str, protocol: str, method: str = "linemap"
    ) -> dict[Hashable, Any] | None:
        """Return the row of one measure, checks as they are; None where there is none."""
        table = self.measures if method == "linemap" else self.baselines
        rows = table[
            (table["measure"] == measure)
            & (table["protocol"] == protocol)
            & (table["method"] == method)
            & (table["weighting"] == "as checked")
        ]
        return None if rows.empty else rows.to_dict("records")[0]

    def value(
        self, measure: str, *, protocol: str = "blocks", method: str = "linemap"
    ) -> tuple[float, float, float]:
        """Return one measure with its interval, checks as they are; NaN where not judged."""
        row = self._row(measure, protocol, method)
        if row is None:
            return float("nan"), float("nan"), float("nan")
        return float(row["value"]), float(row["low"]), float(row["high"])

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
