"""Numbers that come from outside: regulations, standards, papers.

All of them live in ``published.toml`` beside this file. Each entry keeps its value, unit,
source, status and date together, so that a report can print where a number comes from.

Status is one of ``seen`` (read in a public text), ``from memory`` (recalled, not read again),
``computed`` (worked out from stated numbers), ``common practice`` (a rule of thumb without
a source) and ``our choice``.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from linemap.errors import ArgumentError

STATUSES = ("seen", "from memory", "computed", "common practice", "our choice")


@dataclass(frozen=True)
class Fact:
    """A published value with its origin.

    Attributes
    ----------
    name : str
        Dotted name in ``published.toml``, e.g. ``lead.action_level.LCRI``.
    value : Any
        The value itself: number, text, date, list or table.
    unit : str
        Unit of the value; empty where it has none.
    source : str
        Where the value was published.
    status : str
        How sure we are of the wording, see the module text.
    as_of : str
        Date on which it was noted, ISO 8601.
    """

    name: str
    value: Any
    unit: str
    source: str
    status: str
    as_of: str

    @property
    def verified(self) -> bool:
        """Whether the value was read in its source or computed from one that was."""
        return self.status in ("seen", "computed")

    def __str__(self) -> str:
        unit = f" {self.unit}" if self.unit else ""
        mark = "" if self.verified else f" (unverified: {self.status})"
        return f"{self.name} = {self.value}{unit}{mark}, {self.source}"


@cache
def all_facts() -> dict[str, Fact]:
    """Return every published value by its dotted name.

    Returns
    -------
    dict of str to Fact
    """
    text = files("linemap").joinpath("published.toml").read_text(encoding="utf-8")
    found: dict[str, Fact] = {}

    def walk(node: dict[str, Any], path: tuple[str, ...]) -> None:
        if "value" in node and "source" in node:
            name = ".".join(path)
            found[name] = Fact(
                name=name,
                value=node["value"],
                unit=str(node.get("unit", "")),
                source=str(node["source"]),
                status=str(node["status"]),
                as_of=str(node["as_of"]),
            )
            return
        for key, child in node.items():
            if isinstance(child, dict):
                walk(child, (*path, key))

    walk(tomllib.loads(text), ())
    return found


def fact(name: str) -> Fact:
    """Look up one published value.

    Parameters
    ----------
    name : str
        Dotted name, e.g. ``lead.action_level.LCRI``.

    Returns
    -------
    Fact

    Raises
    ------
    ArgumentError
        If no such value is on file.

    Examples
    --------
    >>> fact("lead.action_level.LCRI").value
    10
    """
    facts = all_facts()
    if name not in facts:
        raise ArgumentError(f"no published value is named {name!r}; see linemap/published.toml")
    return facts[name]


def state_on_file(name: str) -> str:
    """Return the name of a state whose own lead action level is on file, as it stands there.

    Parameters
    ----------
    name : str
        In any case.

    Raises
    ------
    ArgumentError
        If there is none; the message names the states that there are.

    Examples
    --------
    >>> state_on_file("michigan")
    'Michigan'
    """
    prefix = "water.action_level_state."
    known = sorted(key.removeprefix(prefix) for key in all_facts() if key.startswith(prefix))
    for state in known:
        if state.casefold() == name.strip().casefold():
            return state
    raise ArgumentError(
        f"no action level of its own is on file for a state {name!r}; on file: "
        f"{', '.join(known)}. Leave the state out where the federal level holds."
    )
