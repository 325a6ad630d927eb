"""Many cities in one go: one after another here, or many at once on Dask.

Each city is one task, and the task is the whole run of :mod:`linemap.pipeline` into a run folder
of its own. So the results of a city are byte for byte those of a run on one machine, whatever
the engine and however many workers there are. What learns is never cut up: in a large city curves
and error rates are learned on a sample of blocks, and weights and places are worked out for all
homes, which one worker can hold. The years of neighbours come from tiles with halos that
all workers share, see :mod:`linemap.features`; they are those of the whole city bit for bit.

Cities whose settings say ``share_witnesses`` are fitted twice: first to count what their witnesses
say, then with what the others counted to start from.

A worker writes the folder of its city itself, whole or not at all. All workers must therefore see
settings, inputs and results under the same names: one machine, or a shared folder. What travels
over the network is the name of a settings file on the way out and the main figures of a city on
the way back, and for tiles bare positions and building years; nothing that names a home.
"""

from __future__ import annotations

import logging
import socket
import tempfile
import threading
import time
import traceback
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

from threadpoolctl import threadpool_limits

from linemap.errors import ArgumentError, ClusterError, LinemapError, RunFolderError
from linemap.intake import read_city
from linemap.outputs import write_cities
from linemap.pipeline import Stopwatch, run, score_city
from linemap.printing import Tell, silent, watched
from linemap.run_folder import read_record, write_json
from linemap.run_record import versions
from linemap.scoring import SharedCounts
from linemap.settings import load_settings
from linemap.state import folder_name, part_states
from linemap.whole_folder import refuse_others, replaced_files

Engine = Literal["here", "dask"]

RECORD = "cities.json"
"""Record of a run of many cities, in the folder of all of them."""

WAIT_S = 20
"""Longest wait for a scheduler to answer [s]; our choice."""

ONE_CITY = {"city": 1}
"""What a city needs of a worker, and each worker has once: so tiles find room between cities."""

_one_at_a_time = threading.Lock()


@dataclass(frozen=True)
class CityRun:
    """How the run of one city ended.

    Attributes
    ----------
    name : str
        City by its settings, or the settings file where that cannot be read.
    settings : str
        Settings file.
    folder : str
        Name of the run folder within the folder of all cities.
    error : str
        Why there is no result; empty if there is one.
    result, judged_on : dict
        Main figures as in ``run.json``; empty without a result.
    versions : dict
        Versions of Python and the libraries that did the work.
    seconds : float
        Time on the worker [s].
    shared : dict
        Before the run: what the witnesses of other cities said, as counts.
    tiled : bool
        Before the run: whether features are worked out tile by tile by all workers.
    """

    name: str
    settings: str
    folder: str
    error: str = ""
    result: dict[str, Any] = field(default_factory=dict)
    judged_on: dict[str, Any] = field(default_factory=dict)
    versions: dict[str, str] = field(default_factory=dict)
    seconds: float = 0.0
    shared: dict[str, Any] = field(default_factory=dict)
    tiled: bool = False


def run_cities(
    files: Sequence[str | Path],
    out: str | Path,
    *,
    engine: Engine = "here",
    scheduler: str | None = None,
    workers: int | None = None,
    tell: Tell | None = None,
) -> list[CityRun]:
    """Do the whole job for several cities; one that fails does not cost the others.

    Parameters
    ----------
    files : sequence of str or Path
        Settings files, one for each city, or for a state whose tables name the cities.
    out : str or Path
        Folder that gets a run folder for each city, ``cities.csv``, ``index.html`` and
        ``cities.json``. The run of a city that fails is left as it was before.
    engine : {"here", "dask"}
        One after another in this process, or on Dask.
    scheduler : str, optional
        Address of a Dask scheduler that is there already, e.g. ``tcp://10.0.0.5:8786``; without
        it, workers are started on this machine.
    workers : int, optional
        Worker processes on this machine; by default one for each core.
    tell : callable, optional
        Called with a sentence as each city ends; as for :func:`linemap.pipeline.run`.

    Returns
    -------
    list of CityRun
        In the order of the files.

    Raises
    ------
    ArgumentError
        If there is no file, or two cities would write into one folder.
    ClusterError
        If Dask is not installed or the scheduler does not answer.
    RunFolderError
        If the folder holds something else or cannot be written.
    """
    out = Path(out).absolute()
    files, rows = part_states(_once(files), out, RECORD)
    planned = _plan(files)
    refuse_others(out, RECORD, "runs of several cities")
    done = {city.settings: city for city in planned if city.error}
    ready = sorted((city for city in planned if not city.error), key=_size, reverse=True)
    with _engine(engine, scheduler, workers) as work, watched(tell, len(planned)) as told:
        _write(out, planned, done, engine, rows)
        for city in done.values():
            told(f"{city.name} failed")
        for ended in work(run_city, _told_of_others(ready, out, work), out):
            done[ended.settings] = ended
            _write(out, planned, done, engine, rows)
            told(f"{ended.name} {'failed' if ended.error else 'is done'}")
    return [done[city.settings] for city in planned]


def parted_rows(out: Path) -> list[dict[str, Any]]:
    """Return how many rows of a state's tables went to cities or were set aside, by table."""
    return list(read_record(out.absolute() / RECORD)["rows"])


def run_city(city: CityRun, out: str) -> CityRun:
    """Run one city into its folder and say how it ended; never raises.

    What is said of a fault that nobody foresaw is its kind and where it happened, since its own
    words may hold data of a household and would end in the log of a worker.
    """
    start = time.perf_counter()
    try:
        if not (Path(out) / RECORD).is_file():
            raise RunFolderError(
                f"the worker on {socket.gethostname()} does not see {out}. Workers and this "
                "machine must share the folder of the results and those of the inputs."
            )
        with _one_at_a_time:
            pooled = SharedCounts.from_dict(city.shared) if city.shared else None
            finished = run(
                load_settings(city.settings),
                Path(out) / city.folder,
                tell=silent,
                pooled=pooled,
                spread=_on_all_workers if city.tiled else None,
            )
        error, info = "", finished.info
    except LinemapError as fault:
        error, info = str(fault), {}
    except Exception as fault:
        error, info = _describe_fault(fault), {}
    return CityRun(
        city.name,
        city.settings,
        city.folder,
        error,
        info.get("result", {}),
        info.get("judged_on", {}),
        versions(),
        round(time.perf_counter() - start, 1),
    )


def _on_all_workers(task: Callable[[Any], Any], jobs: Sequence[Any]) -> list[Any]:
    """Do a task for many tiles of a city on all workers, from within the task of the city.

    Meanwhile the city gives its place on the worker free, so that a tile can run there too.
    """
    from distributed import worker_client

    with worker_client() as client:
        sent = [client.submit(task, job, pure=False, priority=1) for job in jobs]
        return list(client.gather(sent))


def count_city(city: CityRun, out: str) -> CityRun:
    """Count what the witnesses of one city say, for the others; never raises.

    A city whose files cannot be used tells nothing here and says why in its own run.
    """
    try:
        with _one_at_a_time:
            settings = load_settings(city.settings)
            with threadpool_limits(1):
                scored = score_city(read_city(settings).city, settings, watch=Stopwatch(silent))
            counts = SharedCounts.of(scored.model)
    except Exception:
        return city
    return replace(city, shared=counts.to_dict())


def _told_of_others(ready: Sequence[CityRun], out: Path, work: Work) -> list[CityRun]:
    """Let the cities that share witnesses count them, and tell each what the others counted.

    The sums are taken in the order of the folders' names, so the order of the settings files
    changes nothing.
    """
    sharing = [c for c in ready if load_settings(c.settings).scoring.share_witnesses]
    if len(sharing) < 2:
        return list(ready)
    counted = {
        city.folder: SharedCounts.from_dict(city.shared)
        for city in work(count_city, sharing, out)
        if city.shared
    }
    told = []
    for city in ready:
        others = [counted[name] for name in sorted(counted) if name != city.folder]
        total = SharedCounts.total(others) if city in sharing else None
        told.append(replace(city, shared=total.to_dict() if total else {}))
    return told


def _describe_fault(fault: Exception) -> str:
    """Return kind and place of a fault, without its words."""
    frames = traceback.extract_tb(fault.__traceback__)
    ours = [f for f in frames if f"{Path(__file__).parent}" in f.filename] or frames
    place = f" in {Path(ours[-1].filename).name}, line {ours[-1].lineno}" if ours else ""
    return f"unexpected {type(fault).__name__}{place}. Run this city alone to see more."


def _once(files: Sequence[str | Path]) -> list[str]:
    """Return the settings files under their full names, each once."""
    if not files:
        raise ArgumentError("name at least one settings file.")
    return list(dict.fromkeys(str(Path(file).absolute()) for file in files))


def _plan(files: Sequence[str]) -> list[CityRun]:
    """Name each city and its folder; settings that cannot be read are failures already."""
    planned = []
    for file in files:
        try:
            name = load_settings(file).city.name
            planned.append(CityRun(name, file, folder_name(name)))
        except LinemapError as fault:
            planned.append(CityRun(file, file, "", str(fault)))
    seen: dict[str, CityRun] = {}
    for city in planned:
        if city.folder and city.folder in seen:
            raise ArgumentError(
                f"{seen[city.folder].settings} and {city.settings} would both write into "
                f"{city.folder!r}. Give the cities different names under [city]."
            )
        seen[city.folder] = city
    return planned


def _size(city: CityRun) -> int:
    """Return the bytes of a city's parcels: the largest begins first, so that none ends late."""
    path = load_settings(city.settings).path("parcels")
    return path.stat().st_size if path is not None else 0


def _write(
    out: Path,
    planned: Sequence[CityRun],
    done: dict[str, CityRun],
    engine: str,
    rows: list[dict[str, Any]],
) -> None:
    """Write record, table and page of what is known so far."""
    waiting = "not finished"
    blank = {c.settings: CityRun(c.name, c.settings, c.folder, waiting) for c in planned}
    cities = [asdict(replace(city, shared={})) for city in (blank | done).values()]
    with replaced_files(out) as folder:
        about = {"engine": engine, "versions": versions(), "rows": rows}
        write_json(folder / RECORD, {**about, "cities": cities})
        write_cities(cities, folder, versions=versions())


Task = Callable[[CityRun, str], CityRun]
Work = Callable[[Task, Sequence[CityRun], Path], Iterator[CityRun]]


@contextmanager
def _engine(engine: Engine, scheduler: str | None, workers: int | None) -> Iterator[Work]:
    """Give a function that does a task for many cities and yields each as it ends."""
    if engine == "here":
        if scheduler is not None or workers is not None:
            raise ArgumentError("a scheduler or a number of workers needs the engine dask.")
        yield lambda task, cities, out: (task(city, str(out)) for city in cities)
        return
    try:
        from distributed import Client, LocalCluster
    except ImportError:
        raise ClusterError(
            "the engine dask needs Dask, which is not installed. "
            "Install it with: pip install 'linemap[cluster]'"
        ) from None
    with tempfile.TemporaryDirectory() as spare:
        if scheduler is None:
            cluster: Any = LocalCluster(
                n_workers=workers,
                threads_per_worker=1,
                resources=ONE_CITY,
                memory_limit=None,
                host="127.0.0.1",
                dashboard_address=None,
                local_directory=spare,
                silence_logs=logging.ERROR,
            )
            with cluster, Client(cluster) as client:
                yield lambda task, cities, out: _on_dask(client, task, cities, out)
            return
        if workers is not None:
            raise ArgumentError("workers are counted by the cluster that is there already.")
        try:
            client = Client(scheduler, timeout=WAIT_S)
        except (OSError, ValueError) as fault:
            raise ClusterError(
                f"no Dask scheduler answers at {scheduler} ({type(fault).__name__}). "
                "Check the address and that the cluster is up."
            ) from fault
        with client:
            yield lambda task, cities, out: _on_dask(client, task, cities, out)


def _on_dask(client: Any, task: Task, cities: Sequence[CityRun], out: Path) -> Iterator[CityRun]:
    """Submit every city and yield each as it ends, with a worker's death as its error."""
    from distributed import as_completed

    workers = client.scheduler_info()["workers"].values()
    tiled = bool(workers) and all("city" in worker["resources"] for worker in workers)
    waiting = {
        client.submit(
            task,
            replace(city, tiled=tiled),
            str(out),
            key=f"{task.__name__}-{at}",
            pure=False,
            priority=-at,
            resources=ONE_CITY if tiled else None,
        ): city
        for at, city in enumerate(cities)
    }
    for future in as_completed(list(waiting)):
        city = waiting[future]
        if future.status == "finished":
            yield future.result()
        else:
            fault = type(future.exception()).__name__ if future.status == "error" else "lost"
            yield CityRun(
                city.name,
                city.settings,
                city.folder,
                f"the worker died or was lost ({fault}), most often for want of memory. Give "
                "each worker more, or run fewer at a time.",
            )
