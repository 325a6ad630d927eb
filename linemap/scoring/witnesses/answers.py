"""The resident's form: what the pipe at the entry looks like, whether the line was replaced."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from linemap.published import fact
from linemap.scoring.evidence import ERAS, Homes
from linemap.scoring.witnesses.code_table import (
    as_sure,
    how_sure,
    shares,
    shrunk_counts,
    soft_counts,
)

QUESTIONS = {
    "entry_pipe": ("lead", "galvanized", "copper", "plastic", "dont_know"),
    "line_replaced": ("yes", "no", "dont_know"),
}
PIPE_WORDS = QUESTIONS["entry_pipe"]
ANSWER_COUNTS = {
    **{question: (2, len(words)) for question, words in QUESTIONS.items()},
    "repeats": (2,),
}
"""Tables to share: answers by no lead or lead on the customer's side; who repeats the record."""

ERA_STRENGTH = 100.0
"""Homes of an era that count as much as what all eras say together; our choice."""

NO_WORD = -1
"""Code of a record that names no pipe which a resident could repeat."""


class AnswersWitness:
    """What residents answer in each state; "don't know" is an answer like the others.

    Of several forms of one home the last row counts, since one household is one witness. Some
    residents do not look at the pipe but repeat what the city's record says, and then the two
    err together: a share of residents, learned, gives the record's own word whatever the pipe.
    So an answer that agrees with the record counts the less, the more residents do that.

    How often each answer is given differs by era, shrunk to all eras: old houses without lead
    often have galvanized pipe, which is taken for lead, and they stand where lead is likely.

    Parameters
    ----------
    answers : DataFrame
    homes : Homes
    states : ndarray of bool, shape (n_states, 2)
    record_word : ndarray of int, shape (n_homes,)
        What a resident who repeats the record would say, as a place in ``PIPE_WORDS``, or
        ``NO_WORD``.
    """

    name = "answers"
    learned: tuple[str, ...] = ("parameters", "by_era", "repeat_", "sure", "repeat_sure")

    def __init__(
        self, answers: pd.DataFrame, homes: Homes, states: np.ndarray, record_word: np.ndarray
    ) -> None:
        self.states, self.record_word, self.era = states, record_word, homes.era
        row = homes.rows(answers["parcel_id"])
        n = len(homes.index)
        self.code: dict[str, np.ndarray] = {}
        self.parameters: dict[str, np.ndarray] = {}
        self.default: dict[str, np.ndarray] = {}
        self.heard = np.zeros(n, dtype=bool)
        self.strength = float(fact("scoring.answers.strength").value)
        for question, words in QUESTIONS.items():
            code = np.full(n, -1)
            said = pd.Categorical(answers[question], categories=list(words)).codes
            use = (row >= 0) & (said >= 0)
            code[row[use]] = said[use]
            self.code[question] = code
            self.heard |= code >= 0
            stated = fact(f"scoring.answers.{question}").value
            self.default[question] = np.array(
                [stated["lead"] if customer else stated["not_lead"] for _, customer in states]
            )
            self.parameters[question] = self.strength * self.default[question]
        self.by_era = self._around_all_eras({})
        self.stated_repeat = np.array(fact("scoring.answers.repeats").value, dtype=float)
        self.repeat_ = self.stated_repeat
        """Homes that repeat the record, and homes that do not."""
        self.sure = {question: np.ones(len(states)) for question in QUESTIONS}
        self.repeat_sure = 1.0

    def learn(self, soft: np.ndarray) -> None:
        """Learn how often each answer is given in each state, and how many repeat the record.

        What residents see of the pipe is learned where the record names none, since there
        nothing can be repeated: learned elsewhere, two voices that agree by habit would be taken
        for two that are right.
        """
        counts = {question: self._said(question, soft) for question in QUESTIONS}
        for question, said in counts.items():
            total = said.sum(axis=0)
            self.parameters[question] = shrunk_counts(total, self.default[question], self.strength)
            self.sure[question] = how_sure(soft[self._taught(question)])
        self.by_era = self._around_all_eras(counts)
        could, repeats = self._repeating(soft)
        self.repeat_ = self.stated_repeat + _split_homes(could, repeats)
        told = could.sum() * self.repeats_record() * (1.0 - self.repeats_record())
        about = (could * (repeats - self.repeats_record()) ** 2).sum()
        self.repeat_sure = float(min(about / max(told, 1e-9), 1.0))

    def _around_all_eras(self, counts: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
        """Return Dirichlet parameters of each era: its counts around what all eras say."""
        nothing = np.zeros((len(ERAS), 1, 1))
        return {
            question: shrunk_counts(counts.get(question, nothing), shares(all_eras), ERA_STRENGTH)
            for question, all_eras in self.parameters.items()
        }

    def _said(self, question: str, soft: np.ndarray) -> np.ndarray:
        """Count the answers to a question by era and state, (n_eras, n_states, n_words)."""
        code, said = self.code[question], self._taught(question)
        words = len(QUESTIONS[question])
        return soft_counts(code[said], soft[said], words, self.era[said], len(ERAS))

    def _taught(self, question: str) -> np.ndarray:
        """Return the homes whose answer to a question teaches, (n_homes,)."""
        said = self.code[question] >= 0
        return said & (self.record_word == NO_WORD) if question == "entry_pipe" else said

    def _repeating(self, soft: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return who could repeat the record, and the chance that they do, (n, n_states).

        Only where record or state speak of lead: of other pipe there are several kinds, and a
        record and a resident who both see copper agree without one repeating the other.
        """
        code = self.code["entry_pipe"]
        could = (code >= 0) & (self.record_word != NO_WORD)
        names_lead = self.record_word[could] == PIPE_WORDS.index("lead")
        soft = soft[could] * (names_lead[:, None] | self.states[:, 1])
        table = shares(self.by_era["entry_pipe"])[self.era[could], :, code[could]]
        share = self.repeats_record()
        agrees = (self.record_word == code)[could, None]
        return soft, agrees * share / (share + (1.0 - share) * table)

    def counts(self, soft: np.ndarray) -> dict[str, np.ndarray]:
        """Return the tables ``ANSWER_COUNTS``."""
        customer = self.states[:, 1]
        tables = {"repeats": _split_homes(*self._repeating(soft))}
        for question in QUESTIONS:
            said = self._said(question, soft).sum(axis=0)
            tables[question] = np.stack([said[~customer].sum(axis=0), said[customer].sum(axis=0)])
        return tables

    def start_from(self, counts: Mapping[str, np.ndarray]) -> None:
        """Start from what other cities counted, the stated shares among them as so many homes."""
        customer = self.states[:, 1].astype(int)
        for question in QUESTIONS:
            told = counts[question][customer] + self.strength * self.default[question]
            self.default[question] = shares(told)
            self.parameters[question] = self.strength * self.default[question]
        self.by_era = self._around_all_eras({})
        size = self.stated_repeat.sum()
        self.stated_repeat = size * shares(self.stated_repeat + counts["repeats"])
        self.repeat_ = self.stated_repeat

    def weights(self, rng: np.random.Generator | None = None) -> np.ndarray:
        """Return log-likelihood ratios of each state against none, (n_homes, n_states)."""
        out = np.zeros((len(self.heard), len(self.states)))
        repeat = shares(self.repeat_, rng)[0]
        for question, code in self.code.items():
            said = code >= 0
            table = shares(self.by_era[question], rng)[self.era[said], :, code[said]]
            if question == "entry_pipe":
                word = self.record_word[said]
                share = np.where(word != NO_WORD, repeat, 0.0)[:, None]
                table = share * (word == code[said])[:, None] + (1.0 - share) * table
            out[said] += np.log(table / table[:, :1])
        return out

    def joint_shares(self) -> np.ndarray:
        """Return the share of each joint answer by era, record's word and state.

        Returns
        -------
        ndarray, shape (n_eras, n_words + 1, n_states, n_answers)
            The last word is for homes whose record names no pipe (``NO_WORD``).
        """
        entry = shares(self.by_era["entry_pipe"])[:, None]
        replaced = shares(self.by_era["line_replaced"])[:, None, :, None, :]
        repeat = shares(self.repeat_)[0]
        word = np.eye(len(PIPE_WORDS) + 1, len(PIPE_WORDS))
        share = repeat * word.sum(axis=1)[:, None, None]
        told = share * word[:, None, :] + (1.0 - share) * entry
        joint = told[..., None] * replaced
        return np.asarray(joint.reshape(*joint.shape[:3], -1))

    def repeats_record(self) -> float:
        """Return the share of residents who only repeat the record."""
        return float(shares(self.repeat_)[0])

    def describe(self, rng: np.random.Generator | None = None) -> dict[str, Any]:
        """Return counts, the learned shares of each answer by state, and how many repeat."""
        given = {
            question: shares(as_sure(p, self.sure[question], self.strength), rng).round(4)
            for question, p in self.parameters.items()
        }
        repeats = as_sure(self.repeat_, self.repeat_sure, self.stated_repeat.sum())
        return {
            "homes": int(self.heard.sum()),
            **{
                question: {word: given[question][:, j].tolist() for j, word in enumerate(words)}
                for question, words in QUESTIONS.items()
            },
            "repeats_record": round(float(shares(repeats, rng)[0]), 3),
        }


def _split_homes(could: np.ndarray, repeats: np.ndarray) -> np.ndarray:
    """Return how many homes repeat the record and how many do not, (2,)."""
    repeat = float((could * repeats).sum())
    return np.array([repeat, float(could.sum()) - repeat])
