"""Size, time to write, time to first draw and frame times of the staff map, beside its rival.

The rival is ``folium.GeoJson`` on canvas with one style function that reads the probability
from each feature. Both pages show the same irregular parcels of nine corners with every parcel
drawn, both have Leaflet written into them, and runs alternate. Run it on an idle machine::

    python tests/benchmarks/map_speed.py [--sizes 20000 100000 500000] [--repeats 3]
"""

from __future__ import annotations

import argparse
import itertools
import platform
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import folium
import geopandas as gpd
import pandas as pd
from playwright.sync_api import Browser, sync_playwright

sys.path.insert(0, str(Path(__file__).parent))
from map_homes import make_areas, make_kits, make_pairs, make_parcels, make_scores

from linemap.outputs.map import map_html
from linemap.outputs.map.page import leaflet_script, leaflet_style

CHROMIUM = "/usr/bin/chromium"
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
RIVAL_UP_TO = 100_000
GOALS = {20_000: (3, 1.5), 100_000: (8, 2), 500_000: (35, 7)}
"""Largest page [MB] and first draw [s] by number of parcels."""


def rival_html(parcels: gpd.GeoDataFrame, scores: pd.DataFrame) -> str:
    """Return the page of folium.GeoJson with one style function, Leaflet written in."""
    frame = gpd.GeoDataFrame(
        {"id": parcels.index, "p": scores["p_lead"].to_numpy().round(4)},
        geometry=parcels.geometry.to_numpy(),
        crs=parcels.crs,
    ).to_crs(4326)
    frame = frame.set_geometry(frame.geometry.set_precision(1e-6))
    west, south, east, north = frame.total_bounds
    page = folium.Map(tiles=None, prefer_canvas=True)
    page.default_js, page.default_css = [], []
    style = folium.JsCode(
        "f => ({fillColor: f.properties.p > 0.5 ? '#51127c' : '#fecf92', fillOpacity: 1, "
        "weight: 0.5, color: '#444'})"
    )
    layer = folium.GeoJson(frame.to_json(drop_id=True), smooth_factor=0)
    layer.style = False
    layer.add_to(page)
    page.fit_bounds([[south, west], [north, east]])
    html = page.get_root().render()
    name = layer.get_name()
    html = html.replace(
        f"var {name} = L.geoJson(null, {{",
        f"var {name} = L.geoJson(null, {{ style: {style.js_code},",
    )
    head = f"<style>{leaflet_style()}</style><script>{leaflet_script()}</script>"
    return html.replace("<head>", f"<head>{head}", 1)


def first_draw(browser: Browser, url: str, drawn: str | None) -> float:
    """Return seconds from navigation to the frame after everything is painted."""
    page = browser.new_page(viewport={"width": 1366, "height": 768})
    page.goto(url, wait_until="load", timeout=180_000)
    if drawn:
        page.wait_for_selector(drawn, state="attached", timeout=180_000)
    two_frames = "new Promise(r => requestAnimationFrame(() => requestAnimationFrame(() => r())))"
    now = page.evaluate(f"() => {two_frames}.then(() => performance.now())")
    page.close()
    return float(now) / 1000


def pan_frames(browser: Browser, url: str, drawn: str | None) -> tuple[float, float]:
    """Return the median and 95th percentile of frame times [ms] while the map is dragged."""
    page = browser.new_page(viewport={"width": 1366, "height": 768})
    page.goto(url, wait_until="load", timeout=180_000)
    if drawn:
        page.wait_for_selector(drawn, state="attached", timeout=180_000)
    page.wait_for_timeout(1000)
    page.evaluate(
        "() => { window.frames_ = []; const tick = t => { window.frames_.push(t);"
        " requestAnimationFrame(tick); }; requestAnimationFrame(tick); }"
    )
    for direction in (-1, 1, -1):
        page.mouse.move(850, 400)
        page.mouse.down()
        for k in range(40):
            page.mouse.move(850 + direction * 8 * k, 400 + 3 * k)
        page.mouse.up()
    stamps = page.evaluate("() => window.frames_")
    page.close()
    gaps = sorted(b - a for a, b in itertools.pairwise(stamps))
    return statistics.median(gaps), gaps[int(0.95 * (len(gaps) - 1))]


def drawn_by_zoom(browser: Browser, url: str, zooms: range) -> str:
    """Return how many homes are drawn one by one at each zoom, in the middle of the city."""
    page = browser.new_page(viewport={"width": 1366, "height": 768})
    page.goto(url, timeout=180_000)
    page.wait_for_selector("html[data-ready=yes]", state="attached", timeout=180_000)
    place = page.evaluate("() => location.hash").split("&")[0].split("/")[1:]
    words = []
    for zoom in zooms:
        page.goto("about:blank")
        page.goto(f"{url}#at={zoom}/{'/'.join(place)}", timeout=180_000)
        page.wait_for_selector(
            "html[data-ready=yes][data-painted=yes][data-drawn]", state="attached", timeout=180_000
        )
        words.append(f"zoom {zoom}: {page.inner_text('#count')}")
    page.close()
    return "\n    ".join(words)


def measured(browser: Browser, pages: dict[str, tuple[str, str | None]], repeats: int) -> None:
    """Print first draw and frame times of pages that take turns."""
    draws: dict[str, list[float]] = {name: [] for name in pages}
    pans: dict[str, list[tuple[float, float]]] = {name: [] for name in pages}
    for _ in range(repeats):
        for name, (url, drawn) in pages.items():
            draws[name].append(first_draw(browser, url, drawn))
            pans[name].append(pan_frames(browser, url, drawn))
    for name in pages:
        each = ", ".join(f"{t:.2f}" for t in draws[name])
        half, most = (statistics.median(p[k] for p in pans[name]) for k in (0, 1))
        print(
            f"  {name}: first draw {statistics.median(draws[name]):.2f} s ({each}); "
            f"frames while panning: median {half:.0f} ms, 95th percentile {most:.0f} ms"
        )


def timed(make: Callable[[], str], path: Path, name: str) -> str:
    """Write a page, print its size and how long that took, return its address."""
    start = time.perf_counter()
    path.write_text(make(), encoding="utf-8")
    took = time.perf_counter() - start
    print(f"  {name}: {path.stat().st_size / 1e6:.1f} MB, written in {took:.1f} s", flush=True)
    return path.as_uri()


def main() -> None:
    """Measure every size and print one table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sizes", type=int, nargs="+", default=[20_000, 100_000, 500_000])
    parser.add_argument("--repeats", type=int, default=3)
    wanted = parser.parse_args()
    print(f"{platform.platform()}, {platform.processor() or platform.machine()}")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        for n in wanted.sizes:
            parcels, goal = make_parcels(n), GOALS.get(n)
            areas, scores = make_areas(parcels), make_scores(parcels)
            kits, pairs = make_kits(scores, n // 50), make_pairs(scores)
            aim = f" (goal: {goal[0]} MB, first draw {goal[1]} s)" if goal else ""
            print(f"{n:,} parcels{aim}", flush=True)
            url = timed(
                lambda p=parcels, s=scores, a=areas, k=kits, r=pairs: map_html(
                    p, s, a, kits=k, pairs=r
                ),
                Path(folder) / f"staff-{n}.html",
                "linemap",
            )
            ready = "html[data-ready=yes][data-painted=yes]"
            pages: dict[str, tuple[str, str | None]] = {
                "linemap, every home drawn": (f"{url}#draw=homes", ready)
            }
            if n <= RIVAL_UP_TO:
                rival = timed(
                    lambda p=parcels, s=scores: rival_html(p, s),
                    Path(folder) / f"rival-{n}.html",
                    "folium.GeoJson",
                )
                pages["folium.GeoJson"] = (rival, None)
            pages["linemap, as it opens"] = (url, ready)
            measured(browser, pages, wanted.repeats)
            print(f"    {drawn_by_zoom(browser, url, range(11, 19))}", flush=True)
        browser.close()


if __name__ == "__main__":
    main()
