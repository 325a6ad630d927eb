"""What the commands print: progress, counts, and where the results are."""

from __future__ import annotations

import html
import json
import math
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn
from rich.table import Table

Tell = Callable[[str], None]


def silent(_: str) -> None:
    """Say nothing."""


@contextmanager
def watched(tell: Tell | None, steps: int) -> Iterator[Tell]:
    """Give the caller's own teller; without one, a bar wherever somebody is looking on.

    A notebook and a terminal show the bar. Where nobody looks on nothing is printed.
    """
    if tell is not None:
        yield tell
        return
    with progress(steps, not (in_notebook() or Console(stderr=True).is_terminal)) as step:
        yield step


def in_notebook() -> bool:
    """Return whether the code runs in the kernel of a notebook."""
    shell = getattr(sys.modules.get("IPython"), "get_ipython", lambda: None)()
    return hasattr(shell, "kernel")


@contextmanager
def progress(steps: int, quiet: bool) -> Iterator[Tell]:
    """Give a function to call at the start of each step; a bar shows in a terminal or notebook."""
    if quiet:
        yield silent
        return
    if in_notebook():
        yield from _notebook_steps(steps)
        return
    columns = (
        TextColumn("{task.completed:>2}/{task.total}"),
        BarColumn(bar_width=24),
        TextColumn("{task.description}"),
        TimeElapsedColumn(),
    )
    console = Console(stderr=True)
    with Progress(*columns, console=console, disable=not console.is_terminal) as bar:
        task = bar.add_task("starting", total=steps)
        begun = False

        def step(name: str) -> None:
            nonlocal begun
            if begun:
                bar.advance(task)
            begun = True
            bar.update(task, description=name)
            if not console.is_terminal:
                print(f"... {name}", file=sys.stderr, flush=True)

        yield step
        bar.update(task, completed=steps, description="done")


@dataclass(frozen=True)
class Bar:
    """A progress bar as a notebook shows it; needs nothing but HTML."""

    done: int
    steps: int
    words: str

    def __repr__(self) -> str:
        return f"{self.done}/{self.steps} {self.words}"

    def _repr_html_(self) -> str:
        return (
            f"<label><progress value='{self.done}' max='{self.steps}'></progress> "
            f"{html.escape(repr(self))}</label>"
        )


def counted(number: float, one: str, many: str | None = None) -> str:
    """Return a count with its noun.

    Examples
    --------
    >>> counted(1, "kit"), counted(2000, "kit"), counted(2, "home is", "homes are")
    ('1 kit', '2,000 kits', '2 homes are')
    """
    return f"{number:,.0f} {one if number == 1 else many or one + 's'}"


def rounded(number: float) -> str:
    """Return an expected number; a digit after the point only where it is small.

    Examples
    --------
    >>> rounded(110.9), rounded(0.93)
    ('111', '0.9')
    """
    return f"{number:.1f}" if number < 10 else f"{number:,.0f}"


def chance(share: float) -> str:
    """Return a chance in percent, never as certain.

    Examples
    --------
    >>> chance(0.342), chance(0.9991), chance(0.0004)
    ('34%', 'over 99%', 'under 1%')
    """
    if share < 0.01:
        return "under 1%"
    return "over 99%" if share > 0.99 else f"{share:.0%}"


class Spoken:
    """What a result that has ``sentences`` shows when it is printed or ends a notebook cell."""

    def sentences(self) -> list[str]:
        """Say what there is to say, the most important first."""
        raise NotImplementedError

    def __repr__(self) -> str:
        return "\n".join(self.sentences())

    def _repr_html_(self) -> str:
        return "".join(["<ul>", *(f"<li>{html.escape(s)}</li>" for s in self.sentences()), "</ul>"])


def _notebook_steps(steps: int) -> Iterator[Tell]:
    """Give a teller that moves one bar in the output of the cell."""
    from IPython.display import display

    shown = display(Bar(0, steps, "starting"), display_id=True)
    begun = 0

    def step(name: str) -> None:
        nonlocal begun
        begun += 1
        shown.update(Bar(begun - 1, steps, name))

    yield step
    shown.update(Bar(steps, steps, "done"))


def say(text: str = "") -> None:
    """Print a line as it is, wrapped by the terminal alone."""
    Console(highlight=False, markup=False, soft_wrap=True).print(text)


def say_json(content: Any) -> None:
    """Print JSON for other programs; what is not a number, or infinite, is null there."""
    print(json.dumps(plain_values(content), allow_nan=False))


def plain_values(node: Any) -> Any:
    """Return nested values as JSON can hold them: what is missing or infinite as None."""
    if isinstance(node, dict):
        return {str(key): plain_values(value) for key, value in node.items()}
    if isinstance(node, list | tuple):
        return [plain_values(value) for value in node]
    if hasattr(node, "item"):  # a number of numpy, which is not loaded for this
        return plain_values(node.item())
    if isinstance(node, float):
        return node if math.isfinite(node) else None
    if node is None or isinstance(node, str | int | bool):
        return node
    text = str(node)
    return None if text in ("NaT", "<NA>") else text


def table(title: str, header: list[str], rows: list[list[str]]) -> None:
    """Print a table; all columns but the first are aligned right."""
    grid = Table(title=title, title_justify="left", show_edge=False)
    for position, name in enumerate(header):
        grid.add_column(name, justify="left" if position == 0 else "right")
    for row in rows:
        grid.add_row(*row)
    Console(highlight=False, markup=False).print(grid)


def report_counts(counts: list[dict[str, Any]]) -> None:
    """Print the rows read, used and set aside of each table."""
    table(
        "What was read",
        ["table", "rows in", "used", "set aside", "single values set aside"],
        [
            [
                str(row["table"]),
                f"{row['rows_in']:,}",
                f"{row['used']:,}",
                f"{row['quarantined']:,}",
                f"{row['cells']:,}",
            ]
            for row in counts
        ],
    )


def report_cities(
    cities: list[dict[str, Any]], out: Path, as_json: bool, rows: list[dict[str, Any]]
) -> None:
    """Say how the run of each city ended, and where the page over all of them is."""
    if as_json:
        say_json({"folder": str(out), "cities": cities, "rows": rows})
        return
    names = ("parcels", "unknown_lines", "expected_lead_lines")
    table(
        "Cities",
        ["city", "parcels", "lines not known", "expected lead lines", "seconds"],
        [
            [c["name"], *(f"{c['result'][name]:,.0f}" for name in names), f"{c['seconds']:,.0f}"]
            for c in cities
            if not c["error"]
        ],
    )
    if rows:
        table(
            "What was read",
            ["table", "rows in", "parted to cities", "set aside"],
            [
                [r["table"], *(f"{r[name]:,}" for name in ("rows_in", "parted", "quarantined"))]
                for r in rows
            ],
        )
        say(f"Rows of no known city are in {out / 'quarantine.csv'}")
    for city in cities:
        if city["error"]:
            say(f"{city['name']} has no result: {city['error']}")
    say(f"The page over all cities is {out / 'index.html'}, their figures are in cities.csv")


def report_run(finished: Any, as_json: bool) -> None:
    """Say what a run did and where its results are."""
    files = sorted(
        str(path.relative_to(finished.folder))
        for path in finished.folder.rglob("*")
        if path.is_file() and path.parent.name != "tables"
    )
    if as_json:
        say_json(
            {
                "folder": str(finished.folder),
                "result": finished.info["result"],
                "counts": finished.info["counts"],
                "files": files,
            }
        )
        return
    report_counts(finished.info["counts"])
    say()
    say(repr(finished))
    say()
    say(f"Results are in {finished.folder}")
    for name, what in (
        ("staff/map.html", "map for staff: open it in a browser, no network needed"),
        ("staff/report.html", "report for staff"),
        ("lists/kits.xlsx", "homes for the next kits (also .csv and .gpkg)"),
        ("lists/high_results.csv", "kits above the action level, those not yet told first"),
        ("lists/looks.csv", "pipes to look at first"),
        ("lists/areas.csv", "areas in order"),
        ("scores.csv", "every parcel with its probability and reasons (also .parquet)"),
        ("public/map.html", "map that may be shown to the public"),
        ("public/report.html", "report that may be shown to the public"),
        ("methods.html", "how the numbers were made and what they cannot tell"),
        ("intake/quarantine.csv", "rows and values that were set aside, with the remedy"),
        ("run.json", "inputs, settings, seed and versions, to repeat the run"),
    ):
        if (finished.folder / name).is_file():
            say(f"  {name:<24} {what}")
