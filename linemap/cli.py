"""The ``linemap`` command: plain sentences in, plain sentences out.

Exit codes: 0 done, 1 the input or the folder needs mending, 2 the command was not understood.
"""

from __future__ import annotations

import sys
import warnings
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer
from rich.console import Console

from linemap.choices import (
    Aim,
    Edition,
    Engine,
    JsonFlag,
    Kind,
    LedgerOption,
    RunArgument,
    day_of,
)
from linemap.cli_rounds import rounds
from linemap.errors import InputWarning, LinemapError
from linemap.printing import (
    progress,
    report_cities,
    report_counts,
    report_run,
    say,
    say_json,
)

app = typer.Typer(
    name="linemap",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Where lead service lines probably are, how sure that is and why, and to whom the "
    "next sampling kits should go.",
)
app.add_typer(rounds, name="round")

NO_MEMORY = (
    "the memory of this machine does not suffice, so nothing was written. Close other programs, "
    "or use a larger machine."
)


def main() -> NoReturn:
    """Run the command line; expected errors become a message and exit code 1."""
    console = Console(stderr=True, highlight=False, markup=False, soft_wrap=True)
    warnings.formatwarning = _plainly
    try:
        app(standalone_mode=True)
    except (LinemapError, MemoryError) as error:
        text = str(error) if isinstance(error, LinemapError) else NO_MEMORY
        if "--json" in sys.argv:
            say_json({"error": text, "kind": type(error).__name__})
        else:
            console.print(text)
        sys.exit(1)
    sys.exit(0)


_usual = warnings.formatwarning


def _plainly(
    message: Warning | str, category: type[Warning], filename: str, lineno: int, line: Any = None
) -> str:
    """Say what the warning says, without the place in the code, if it is about the input."""
    if issubclass(category, InputWarning):
        return f"{message}\n"
    return _usual(message, category, filename, lineno, line)


@app.command()
def demo(
    parcels: Annotated[int, typer.Option(help="Parcels of the invented city.", min=200)] = 20000,
    seed: Annotated[int, typer.Option(help="Seed of the city and of the run.", min=0)] = 7,
    preset: Annotated[Kind, typer.Option(help="Kind of city.")] = Kind.good_records,
    out: Annotated[Path, typer.Option(help="Folder for the results.")] = Path("linemap-demo"),
    as_json: JsonFlag = False,
) -> None:
    """Make an invented city and do the whole job on its files."""
    from linemap.pipeline import STAGES, run
    from linemap.settings import load_settings
    from synthetic_city import make_city, write_city

    files = out.absolute().parent / f"{out.name}-city"
    with progress(len(STAGES) + 1, as_json) as step:
        step(f"make an invented city of {parcels:,} parcels")
        write_city(make_city(parcels=parcels, seed=seed, preset=preset.value), files)
        finished = run(load_settings(files / "settings.toml"), out, tell=step)
    report_run(finished, as_json)
    if not as_json:
        say(f"The invented city's files, as a utility would bring them, are in {files}")


@app.command()
def run(
    out: Annotated[Path, typer.Option(help="Folder for the results.")],
    settings: Annotated[
        list[Path] | None, typer.Argument(help="Settings file (TOML); several for several cities.")
    ] = None,
    record: Annotated[
        Path | None, typer.Option("--from", help="run.json of an earlier run, to repeat it.")
    ] = None,
    to: Annotated[
        str | None,
        typer.Option(help="Write the lists to postgresql://HOST/DATABASE?schema=NAME as well."),
    ] = None,
    engine: Annotated[
        Engine, typer.Option(help="Several cities: one after another here, or at once on Dask.")
    ] = Engine.here,
    scheduler: Annotated[
        str | None, typer.Option(help="Address of a Dask scheduler that is there already.")
    ] = None,
    workers: Annotated[int | None, typer.Option(help="Dask workers to start here.", min=1)] = None,
    as_json: JsonFlag = False,
) -> None:
    """Do the whole job on your own files, or repeat an earlier run by its record."""
    several = len(settings or []) > 1 or engine is Engine.dask or scheduler or workers
    from linemap.settings import load_settings

    if settings and record is None:
        several = several or load_settings(settings[0]).files.city_column
    if several and settings and record is None and to is None:
        _run_several(settings, out, engine, scheduler, workers, as_json)
        return
    from linemap.followup import repeat_run
    from linemap.outputs import reach_database
    from linemap.pipeline import STAGES
    from linemap.pipeline import run as run_pipeline

    if bool(settings) == (record is not None) or several:
        raise typer.BadParameter(
            "name a settings file, or a run.json with --from; not both. Several cities, --engine, "
            "--scheduler and --workers go with settings files, and without --to."
        )
    if to is not None:
        reach_database(to)
    changed: list[str] | None = None
    with progress(len(STAGES), as_json) as step:
        if record is not None:
            finished, changed = repeat_run(record, out, tell=step)
        else:
            assert settings
            finished = run_pipeline(load_settings(settings[0]), out, tell=step)
    report_run(finished, as_json)
    if changed is not None and not as_json:
        say("Compared with the earlier run:")
        for sentence in changed or ["inputs, versions and lists are the same, byte for byte."]:
            say(f"  {sentence}")
    if to is not None:
        _store(finished, to, quiet=as_json)


def _run_several(
    files: list[Path], out: Path, engine: Engine, scheduler: str | None, workers: int | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Do the whole job for several cities; exit code 1 if one of them failed."""
    from linemap.cluster import parted_rows, run_cities

    with progress(len(files), as_json) as step:
        cities = run_cities(
            files, out, engine=engine.value, scheduler=scheduler, workers=workers, tell=step
        )
    report_cities([asdict(city) for city in cities], out, as_json, parted_rows(out))
    if any(city.error for city in cities):
        raise typer.Exit(1)


@app.command()
def store(
    folder: RunArgument,
    to: Annotated[str, typer.Argument(help="postgresql://HOST/DATABASE?schema=NAME")],
) -> None:
    """Write the lists of a finished run into PostgreSQL with PostGIS, all or none."""
    from linemap.run_folder import Run

    _store(Run(folder), to)


def _store(run: Any, address: str, *, quiet: bool = False) -> None:
    """Write the lists of a run into a database and say where they are."""
    from linemap.followup import store_run

    tables = store_run(run, address)
    if not quiet:
        say(f"The lists are in the tables {', '.join(tables)}.")


@app.command()
def check(
    settings: Annotated[Path, typer.Argument(help="Settings file (TOML).")],
    as_json: JsonFlag = False,
) -> None:
    """Read your files and list every problem; score nothing."""
    from linemap.intake import quarantine_table, summarize_problems
    from linemap.pipeline import check as check_files
    from linemap.settings import load_settings

    with progress(1, as_json) as step:
        intake = check_files(load_settings(settings), tell=step)
    counts = [{"table": name, **row} for name, row in intake.counts.items()]
    aside = quarantine_table(intake.problems)
    if as_json:
        say_json({"counts": counts, "set_aside": aside.to_dict("records")})
        return
    report_counts(counts)
    say()
    for sentence in summarize_problems(intake.problems):
        say(f"  - {sentence}")
    lost = any(problem.effect != "note" for problem in intake.problems)
    say("The files can be used without these." if lost else "The files can be used.")


@app.command()
def prioritize(
    folder: RunArgument,
    kits: Annotated[int | None, typer.Option(help="Kits to send.", min=1)] = None,
    floor: Annotated[int | None, typer.Option(help="Least kits per area.", min=0)] = None,
    cap: Annotated[int | None, typer.Option(help="Most kits per area.", min=1)] = None,
    aim: Annotated[Aim | None, typer.Option(help="What the areas are ranked by.")] = None,
    audit: Annotated[
        float | None, typer.Option(help="Share of kits drawn at random.", min=0, max=0.9)
    ] = None,
    ledger: LedgerOption = None,
    out: Annotated[Path | None, typer.Option(help="Folder for the list.")] = None,
    as_json: JsonFlag = False,
) -> None:
    """Choose a new list from a finished run; nothing is fitted again."""
    from linemap.followup import list_areas, write_list
    from linemap.followup import prioritize as choose_again
    from linemap.run_folder import Run

    wanted: dict[str, Any] = {
        "kits": kits,
        "floor_per_area": floor,
        "cap_per_area": cap,
        "aim": aim.value if aim else None,
        "audit_share": audit,
    }
    opened = Run(folder)
    plan = choose_again(opened, ledger=ledger, **{k: v for k, v in wanted.items() if v is not None})
    place = write_list(opened, plan, out, ledger=ledger)
    summary = plan.describe()
    if as_json:
        say_json({"folder": str(place), "kits": len(plan.kits), "plan": summary})
        return
    for sentence in summary["sentences"]:
        say(sentence)
    say(f"First areas ({plan.limits.aim.replace('_', ' ')}):")
    for area in list_areas(opened, plan, ledger=ledger).head(5).itertuples():
        say(f"  {area.rank:.0f}. {area.name}: {area.why}; {area.kits_suggested:.0f} kits")
    say(f"The list of {len(plan.kits):,} homes is in {place}")


@app.command()
def map(
    folder: RunArgument,
    out: Annotated[Path | None, typer.Option(help="Folder for the two pages.")] = None,
) -> None:
    """Draw the staff map and the public map of a finished run again."""
    from linemap.followup import redraw_maps
    from linemap.run_folder import Run

    for path in redraw_maps(Run(folder), out):
        say(str(path))


@app.command()
def evaluate(folder: RunArgument, as_json: JsonFlag = False) -> None:
    """Hold the scores of a finished run against its checks in all six ways; takes a while."""
    from linemap.followup import evaluate_again
    from linemap.run_folder import Run

    with progress(6, as_json) as step:
        evaluation, changed = evaluate_again(Run(folder), tell=step)
    if as_json:
        say_json({**evaluation.to_dict(), "changed": changed})
        return
    for sentence in [*changed, *evaluation.sentences()]:
        say(sentence)


@app.command()
def results(
    file: Annotated[Path, typer.Argument(help="Laboratory file: one row per bottle and analyte.")],
    kits: Annotated[
        Path | None, typer.Option(help="Table of kits, to judge validity as well.")
    ] = None,
    edition: Annotated[
        Edition, typer.Option(help="Edition of the rule that sets the action level.")
    ] = Edition.LCRR,
    as_of: Annotated[
        str | None, typer.Option(help="Day that decides the action level, YYYY-MM-DD.")
    ] = None,
    state: Annotated[
        str | None, typer.Option(help="State with an action level of its own, e.g. Michigan.")
    ] = None,
    as_json: JsonFlag = False,
) -> None:
    """Print percentiles, censored statistics and validity of a laboratory file, without a map."""
    from linemap.followup import read_results

    day = day_of(as_of)
    summary = read_results(file, kits=kits, edition=edition.value, as_of=day, state=state)
    if as_json:
        say_json(summary)
        return
    for sentence in summary["sentences"]:
        say(sentence)
