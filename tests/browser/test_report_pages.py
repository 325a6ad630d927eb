"""The report, methods and route pages of a finished run in a real browser, network cut."""

import pytest

pytestmark = pytest.mark.browser

PAGES = ("staff/report.html", "public/report.html", "methods.html", "lists/routes.html")
CUT = """() => [...document.querySelectorAll('body *')].filter((item) => {
  const box = item.getBoundingClientRect();
  return box.width && box.right > innerWidth + 1 && !item.closest('.scroll, .skip, svg');
}).map((item) => item.outerHTML.slice(0, 80))"""
"""Elements that stick out of the window, but for those inside an area that scrolls."""


def show(tab, folder, name):
    tab.page.goto((folder / name).as_uri())
    return tab.page


@pytest.mark.parametrize("size", ["laptop", "phone"])
@pytest.mark.parametrize("name", PAGES)
def test_page_fits_the_window_and_asks_for_nothing(request, sample_run, size, name):
    """The tab itself fails on any request that is not a file and on any console message."""
    page = show(request.getfixturevalue(size), sample_run, name)
    assert page.evaluate("() => document.documentElement.scrollWidth - innerWidth") <= 0
    assert page.evaluate(CUT) == []
    assert page.inner_text("h1")


@pytest.mark.parametrize("size", ["laptop", "phone"])
@pytest.mark.parametrize("name", PAGES)
def test_no_serious_finding_of_axe(request, sample_run, size, name):
    """Rules of axe-core, by Deque; WCAG 2 A and AA among them."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    page = show(request.getfixturevalue(size), sample_run, name)
    found = axe.Axe().run(page).response["violations"]
    grave = {
        v["id"]: [n["html"] for n in v["nodes"]][:3]
        for v in found
        if v["impact"] in ("serious", "critical")
    }
    assert grave == {}


def test_findings_stand_on_the_first_screen(laptop, sample_run):
    page = show(laptop, sample_run, "staff/report.html")
    last = page.locator(".brief li").last.bounding_box()
    assert last["y"] + last["height"] < 768
    assert page.locator(".brief li").count() >= 5


def test_sections_are_reached_by_keyboard(laptop, sample_run):
    page = show(laptop, sample_run, "staff/report.html")
    page.keyboard.press("Tab")
    assert page.evaluate("() => document.activeElement.textContent") == "Skip to the content"
    page.focus("nav a[href='#cannot']")
    page.keyboard.press("Enter")
    assert page.evaluate("() => location.hash") == "#cannot"
    assert page.locator("#cannot h2").bounding_box()["y"] < 200


def test_a_wide_table_scrolls_by_keyboard_on_a_phone(phone, sample_run):
    page = show(phone, sample_run, "staff/report.html")
    table = page.locator("#where .scroll").first
    table.focus()
    for _ in range(5):
        page.keyboard.press("ArrowRight")
    page.wait_for_timeout(300)
    assert table.evaluate("(item) => item.scrollLeft") > 0
    name = table.locator("tbody th").first.bounding_box()
    assert name["x"] >= 0


def test_text_in_charts_can_be_read(phone, sample_run):
    """On a phone no writing in a chart is smaller than 8 px; common practice, no source."""
    page = show(phone, sample_run, "staff/report.html")
    smallest = page.evaluate(
        """() => Math.min(...[...document.querySelectorAll('figure svg')].map((svg) =>
        Math.min(...[...svg.querySelectorAll('text')].map((text) =>
          parseFloat(getComputedStyle(text).fontSize) *
          svg.getBoundingClientRect().width / svg.viewBox.baseVal.width))))"""
    )
    assert smallest >= 8


@pytest.mark.parametrize("name", PAGES)
def test_page_prints(laptop, sample_run, name):
    page = show(laptop, sample_run, name)
    assert page.pdf(format="Letter").startswith(b"%PDF")
    page.emulate_media(media="print")
    page.set_viewport_size({"width": 718, "height": 960})
    assert page.locator("nav:visible").count() == 0
    assert page.evaluate(CUT.replace(".scroll, ", "")) == []
