"""Headless Chromium, pages of the invented city in a temporary folder, and a watchful tab."""

import importlib.util
import os
from pathlib import Path

import pandas as pd
import pytest

from linemap.outputs.map import map_html, map_sheets, public_map_html

CHROMIUM = Path("/usr/bin/chromium")
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
LAPTOP = {"width": 1366, "height": 768}
PHONE = {"width": 390, "height": 844}

HOMES = Path(__file__).parents[1] / "benchmarks" / "map_homes.py"
spec = importlib.util.spec_from_file_location("map_homes", HOMES)
map_homes = importlib.util.module_from_spec(spec)
spec.loader.exec_module(map_homes)


@pytest.fixture(scope="session")
def browser():
    playwright = pytest.importorskip("playwright.sync_api")
    if not CHROMIUM.exists():
        if os.environ.get("LINEMAP_BROWSER") == "required":
            pytest.fail("Chromium is not installed, and these tests must not be skipped")
        pytest.skip("Chromium is not installed")
    with playwright.sync_playwright() as play:
        started = play.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield started
        started.close()


class Tab:
    """One browser page with the network cut, that notes what goes wrong."""

    def __init__(self, browser, size, folder):
        self.context = browser.new_context(viewport=size, has_touch=size is PHONE)
        self.context.set_offline(True)
        self.page = self.context.new_page()
        self.folder = folder
        self.requests, self.complaints = [], []
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))

    def open(self, name, view=""):
        self.page.goto("about:blank")
        self.page.goto(f"{(self.folder / name).as_uri()}{view}")
        self.settle()
        return self.page

    def settle(self):
        """Wait until the page is ready, painted and has counted what it draws."""
        self.page.wait_for_selector(
            "html[data-ready=yes][data-painted=yes]", state="attached", timeout=30_000
        )
        self.page.wait_for_timeout(250)

    def close(self):
        self.context.close()
        assert [url for url in self.requests if not url.startswith(("file:", "about:"))] == []
        assert self.complaints == []


@pytest.fixture
def laptop(browser, pages):
    tab = Tab(browser, LAPTOP, pages)
    yield tab
    tab.close()


@pytest.fixture
def phone(browser, pages):
    tab = Tab(browser, PHONE, pages)
    yield tab
    tab.close()


@pytest.fixture
def new_tab(browser):
    """Open a tab of laptop size on a folder of the test's own."""
    return lambda folder: Tab(browser, LAPTOP, folder)


@pytest.fixture(scope="session")
def city():
    parcels = map_homes.make_parcels(3000)
    scores = map_homes.make_scores(parcels)
    scores = scores.assign(reason_3='<img src=x onerror="document.title=1">')
    return {
        "parcels": parcels,
        "scores": scores,
        "areas": map_homes.make_areas(parcels),
        "kits": map_homes.make_kits(scores, 60),
        "pairs": map_homes.make_pairs(scores),
    }


@pytest.fixture(scope="session")
def area_list(city):
    scores = city["scores"]
    by_area = scores.groupby("area_id")
    unknown = scores["inventory_class"].eq("lead status unknown")
    tested = pd.Series(scores.index.isin(city["pairs"]["parcel_id"]), index=scores.index)
    expected = by_area["p_lead"].sum() + 0.7  # so that a sum over the homes is not the figure
    table = pd.DataFrame(
        {
            "name": city["areas"].set_index("area_id")["name"],
            "homes": by_area.size(),
            "unknown_lines": unknown.groupby(scores["area_id"]).sum(),
            "expected_lead_lines": expected,
            "low": 0.8 * expected,
            "high": 1.2 * expected,
            "tested_share": tested.groupby(scores["area_id"]).mean(),
            "rank": expected.rank(ascending=False, method="first"),
            "kits_suggested": 2,
            "why": "Many lead lines expected.",
        }
    )
    return table.rename_axis("area_id").reset_index()


@pytest.fixture(scope="session")
def pages(city, area_list, tmp_path_factory):
    """Write staff.html, public.html and a folder of sheets."""
    folder = tmp_path_factory.mktemp("pages")
    homes = (city["parcels"], city["scores"], city["areas"])
    options = {"kits": city["kits"], "pairs": city["pairs"], "area_list": area_list}
    staff = map_html(*homes, **options, city="Alder Falls")
    (folder / "staff.html").write_text(staff, encoding="utf-8")
    public = public_map_html(area_list, city["areas"], city="Alder Falls")
    (folder / "public.html").write_text(public, encoding="utf-8")
    (folder / "sheets").mkdir()
    for name, page in map_sheets(*homes, **options):
        (folder / "sheets" / name).write_text(page, encoding="utf-8")
    return folder
