"""Witnesses: each source of evidence with the error rates at which it speaks.

Every witness has the same three methods. ``learn(soft)`` takes the posterior of each state of
each home, shape (n_homes, n_states), and learns how the source errs. ``weights(rng=None)``
returns the log-likelihood ratio of each state against "none", same shape, first column zero;
with a generator the error rates are drawn from their posterior instead of taken at their mean.
``describe(rng=None)`` says in numbers what was learned, drawn likewise; intervals of what is
printed come from many draws. A new source is one more file here and a line in
:mod:`linemap.scoring.sources`.

A witness that cities may share has two more. ``counts(soft)`` returns small tables of what was
said in which state, and ``start_from(counts)`` lets the error rates start from the tables of
other cities instead of from the published rates.
"""

from linemap.scoring.witnesses.answers import ANSWER_COUNTS, NO_WORD, PIPE_WORDS, AnswersWitness
from linemap.scoring.witnesses.check import CheckWitness
from linemap.scoring.witnesses.code_table import Witness
from linemap.scoring.witnesses.record import RECORD_COUNTS, RecordWitness
from linemap.scoring.witnesses.water import WATER_COUNTS, WaterWitness

COUNT_SHAPES: dict[str, tuple[int, ...]] = {**RECORD_COUNTS, **ANSWER_COUNTS, **WATER_COUNTS}
"""Tables of counts that cities may tell each other, with their shapes."""

__all__ = [
    "COUNT_SHAPES",
    "NO_WORD",
    "PIPE_WORDS",
    "AnswersWitness",
    "CheckWitness",
    "RecordWitness",
    "WaterWitness",
    "Witness",
]
