"""The map in a real browser, from disk, with the network cut."""

import re

import numpy as np
import pytest
import shapely

from linemap.outputs.map import draw_map, map_html, public_map_html
from linemap.outputs.map.page import locked_html
from linemap.outputs.map.public_map import figure_map

pytestmark = pytest.mark.browser


def number(text, pattern):
    """Return the first group of a pattern as a whole number."""
    return int(re.search(pattern, text).group(1).replace(",", ""))


def wait_for_homes(page):
    """Wait until the map has come to rest on single homes, however long that takes."""
    page.locator("#count", has_text="homes drawn in this view").wait_for()
    page.locator("#list-title", has_text="Homes in view").wait_for()


def middle(city, parcel_id):
    """Return latitude and longitude of the middle of a home's box."""
    place = city["parcels"].geometry.loc[[parcel_id]].to_crs(4326).iloc[0]
    point = place.centroid
    return point.y, point.x


def test_it_opens_with_areas_and_their_figures(laptop, city, area_list):
    page = laptop.open("staff.html")
    assert page.inner_text("#legend-title") == "Expected lead lines"
    assert number(page.inner_text("#count"), r"stand for ([\d,]+) of") == len(city["parcels"])
    shown = [text.split(": ") for text in page.locator("#list button").all_inner_texts()]
    listed = area_list.sort_values("expected_lead_lines", ascending=False).head(len(shown))
    ends = ("expected_lead_lines", "low", "high")
    wanted = ["{:,.0f} ({:,.0f} to {:,.0f})".format(*row) for row in listed[[*ends]].to_numpy()]
    assert shown == [list(pair) for pair in zip(listed["name"], wanted, strict=True)]
    area = listed["area_id"].iloc[1]
    page.select_option("#pick-area", area)
    wait_for_homes(page)
    alone = [text.split(":")[0] for text in page.locator("#list button").all_inner_texts()]
    assert alone
    assert (city["parcels"].loc[alone, "area_id"] == area).all()


def test_an_area_has_one_colour_in_both_editions(laptop):
    """The public edition rounds to the nearest 10, halves upward; 303 and 300 are one area."""
    for name in ("staff.html", "public.html"):
        page = laptop.open(name)
        apart = page.evaluate(
            """() => {
              const zones = { measure: "expected", limits: linemap.limits([1257], false, 5, 10) };
              const step = (value) => linemap.ZoneLayer.prototype.step.call(zones, value);
              return [...Array(1500).keys()].filter((value) =>
                step(value) !== step(10 * Math.floor(value / 10 + 0.5)));
            }"""
        )
        assert apart == []


def test_colour_follows_the_printed_figure(laptop):
    page = laptop.open("staff.html")
    steps = page.evaluate(
        """() => {
          const zones = { measure: "expected", limits: [0, 300, 600, 900, 1200, 1500] };
          return [299.6, 300.4, 300.6].map((value) =>
            linemap.ZoneLayer.prototype.step.call(zones, value));
        }"""
    )
    assert steps == [0, 0, 1]


def test_names_of_areas_fit_a_phone(new_tab, city, tmp_path):
    """Every name is whole within the window, and none lies over another."""
    part = {"area_id": city["areas"]["area_id"].str[:2]}
    areas = city["areas"].assign(**part).dissolve("area_id").reset_index()
    names = [f"Upper{k} Granary Landing" for k in range(len(areas))]
    scores = city["scores"].assign(area_id=city["scores"]["area_id"].str[:2])
    html = map_html(city["parcels"], scores, areas.assign(name=names))
    (tmp_path / "phone.html").write_text(html, encoding="utf-8")
    tab = new_tab(tmp_path)
    tab.page.set_viewport_size({"width": 390, "height": 844})
    page = tab.open("phone.html")
    labels = page.evaluate(
        """() => [...document.querySelectorAll('.zone-label span')].map((label) => {
          const { left, right, top, bottom } = label.getBoundingClientRect();
          return { text: label.textContent, left, right, top, bottom };
        })"""
    )
    named = [label for label in labels if "Upper" in label["text"]]
    assert len(named) == len(areas) > 3
    assert [x for x in labels if x["left"] < 0 or x["right"] > 390] == []
    over = [
        (a["text"], b["text"])
        for k, a in enumerate(labels)
        for b in labels[:k]
        if min(a["right"], b["right"]) - max(a["left"], b["left"]) > 4
        and min(a["bottom"], b["bottom"]) - max(a["top"], b["top"]) > 4
    ]
    assert over == []
    tab.close()


def test_every_home_is_drawn_when_asked(laptop, city):
    page = laptop.open("staff.html", "#draw=homes")
    n = len(city["parcels"])
    assert number(page.inner_text("#count"), r"([\d,]+) of") == n
    painted = page.evaluate(
        """() => [...document.querySelectorAll('.homes canvas')].reduce((sum, c) => sum +
        c.getContext('2d').getImageData(0, 0, c.width, c.height).data.filter((v, k) => k % 4 === 3
        && v > 0).length, 0)"""
    )
    assert painted > n


def test_legend_tells_homes_apart_in_words(laptop):
    page = laptop.open("staff.html", "#draw=homes")
    words = page.inner_text("#legend")
    for said in ("not ruled out", "80 to 100%", "heavy outline", "hatched", "ringed dot"):
        assert said in words


def test_slider_counts_what_passes(laptop, city):
    page = laptop.open("staff.html", "#draw=homes")
    page.focus("#least")
    for _ in range(12):
        page.keyboard.press("ArrowRight")
    laptop.settle()
    p = city["scores"]["p_lead"]
    assert page.inner_text("#least-words") == "a probability of at least 60%"
    text = page.inner_text("#count")
    assert number(text, r"([\d,]+) of") == int((p >= 0.6).sum())
    assert number(text, r"([\d,]+) more are held back") == int((p < 0.6).sum())
    assert "least=60" in page.evaluate("() => location.hash")


def test_filters_count_what_passes(laptop, city):
    page = laptop.open("staff.html", "#draw=homes")
    scores = city["scores"]
    page.select_option("#pick-class", "unknown")
    laptop.settle()
    unknown = scores["inventory_class"] == "lead status unknown"
    assert number(page.inner_text("#count"), r"([\d,]+) of") == unknown.sum()
    page.check("#only-listed")
    laptop.settle()
    assert number(page.inner_text("#count"), r"([\d,]+) of") == len(city["kits"])
    page.select_option("#pick-class", "")
    page.uncheck("#only-listed")
    page.select_option("#pick-area", "A10")
    page.wait_for_timeout(600)
    laptop.settle()
    assert number(page.inner_text("#count"), r"([\d,]+) of") == (scores["area_id"] == "A10").sum()


def test_filters_reach_the_figures_of_areas_and_hexagons(laptop, city):
    unknown = city["scores"]["inventory_class"] == "lead status unknown"
    for draw in ("areas", "hexagons"):
        page = laptop.open("staff.html", f"#draw={draw}&measure=unknown&unknown=yes")
        assert "homes that pass the filters" in page.inner_text("#legend-title")
        assert number(page.inner_text("#count"), r"stand for ([\d,]+) of") == unknown.sum()


def test_tested_share_of_areas(laptop, area_list):
    page = laptop.open("staff.html", "#measure=tested")
    best = area_list["tested_share"].max()
    assert page.inner_text("#list li:first-child button").endswith(f"{best * 100:.0f}%")


def test_search_opens_the_card_of_the_home(laptop, city):
    page = laptop.open("staff.html")
    home = city["scores"].index[1234]
    page.fill("#find-id", home)
    page.keyboard.press("Enter")
    page.wait_for_selector("#card:not([hidden])")
    assert page.inner_text("#card-title") == f"Home {home}"
    assert f"home={home}" in page.evaluate("() => location.hash")
    page.fill("#find-id", "no such home")
    page.keyboard.press("Enter")
    page.wait_for_function("() => document.querySelector('#find-answer').textContent.length > 0")
    assert "No home has the parcel id no such home." in page.inner_text("#find-answer")


def test_search_suggests_ids(laptop, city):
    page = laptop.open("staff.html")
    page.fill("#find-id", city["scores"].index[7][:8])
    page.wait_for_function("() => document.querySelectorAll('#find-ids option').length > 0")
    offered = page.evaluate(
        "() => [...document.querySelectorAll('#find-ids option')].map(o => o.value)"
    )
    assert set(offered) <= set(city["scores"].index)


def test_card_adds_up_and_warns(laptop, city):
    scores = city["scores"]
    low = city["pairs"].loc[~city["pairs"]["high_result"], "parcel_id"]
    unknown = scores["inventory_class"] == "lead status unknown"
    home = scores.index[scores.index.isin(low) & scores["beyond_data"] & unknown][0]
    page = laptop.open("staff.html", f"#home={home}")
    page.wait_for_selector("#card:not([hidden])")
    row = scores.loc[home]
    card = page.inner_text("#card-body")
    shown = page.evaluate(
        "() => [...document.querySelectorAll('.waterfall td:nth-child(3)')].map(c => c.textContent)"
    )
    weights = [0.0 if text == "none" else float(text.replace("−", "-")) for text in shown]
    assert sum(weights[:-1]) == pytest.approx(weights[-1], abs=1e-9)
    assert 1 / (1 + np.exp(-weights[-1])) == pytest.approx(row["p_lead"], abs=0.0015)
    assert card.startswith(f"{row['p_lead'] * 100:.0f}%")
    assert f"90% interval: {row['p_low'] * 100:.0f}% to {row['p_high'] * 100:.0f}%" in card
    assert row["reason_1"] in card
    assert row["basis"] in card
    assert "The probability never sets the class." in card
    assert "Beyond the data" in card
    assert "cannot rule out" in card
    assert "below 1 ug/L" in card
    assert "No level of lead" in card


def test_text_from_the_files_stays_text(laptop, city):
    page = laptop.open("staff.html", f"#home={city['scores'].index[0]}")
    page.wait_for_selector("#card:not([hidden])")
    assert '<img src=x onerror="document.title=1">' in page.inner_text("#card-body")
    assert page.locator("#card-body img").count() == 0
    assert page.title().startswith("Alder Falls")


def test_a_click_hits_the_home_under_it(laptop, city):
    for home in city["parcels"].index[[5, 900, 2900]]:
        latitude, longitude = middle(city, home)
        page = laptop.open("staff.html", f"#at=18/{latitude:.6f}/{longitude:.6f}")
        box = page.locator(".folium-map").bounding_box()
        page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
        page.wait_for_selector("#card:not([hidden])")
        assert page.inner_text("#card-title") == f"Home {home}"


def test_painted_pixels_lie_on_their_parcel(laptop, city):
    """The colour in the middle of a predicted home is the legend's colour of its probability."""
    scores = city["scores"]
    plain = scores[(scores["inventory_class"] == "lead status unknown") & ~scores["beyond_data"]]
    plain = plain[~plain.index.isin(city["kits"]["parcel_id"])]
    colours = None
    for home in plain.index[[3, 400, -5]]:
        latitude, longitude = middle(city, home)
        page = laptop.open("staff.html", f"#at=19/{latitude:.6f}/{longitude:.6f}")
        colours = colours or page.evaluate(
            "() => [...document.querySelectorAll('#legend li')].slice(0, 5).flatMap(li =>"
            " [...li.querySelectorAll('rect')].slice(1).map(r => r.getAttribute('fill')))"
        )
        pixel = page.evaluate(
            """() => {
              const map = document.querySelector('.folium-map').getBoundingClientRect();
              const [x, y] = [map.x + map.width / 2, map.y + map.height / 2];
              for (const c of document.querySelectorAll('.homes canvas')) {
                const b = c.getBoundingClientRect();
                if (x < b.x || y < b.y || x >= b.right || y >= b.bottom) continue;
                const k = c.width / b.width;
                const ink = c.getContext('2d');
                return [...ink.getImageData((x - b.x) * k, (y - b.y) * k, 1, 1).data];
              }
            }"""
        )
        wanted = colours[min(19, int(scores.loc[home, "p_lead"] * 20))]
        assert "#" + "".join(f"{v:02x}" for v in pixel[:3]) == wanted
        assert len(colours) == 20


def test_the_address_brings_the_view_back(laptop):
    page = laptop.open("staff.html", "#draw=homes")
    page.focus("#least")
    page.keyboard.press("End")
    page.select_option("#pick-class", "unknown")
    page.click(".leaflet-control-zoom-in")
    page.wait_for_timeout(600)
    laptop.settle()
    address, count = page.evaluate("() => location.hash"), page.inner_text("#count")
    again = laptop.open("staff.html", address)
    assert again.evaluate("() => location.hash") == address
    assert again.inner_text("#count") == count
    assert again.input_value("#pick-class") == "unknown"


def test_a_pasted_link_is_followed_in_the_open_page(laptop, city):
    page = laptop.open("staff.html")
    home = city["scores"].index[42]
    page.evaluate(f"() => (location.hash = '#draw=homes&home={home}')")
    page.wait_for_selector("#card:not([hidden])")
    assert page.inner_text("#card-title") == f"Home {home}"
    assert page.input_value("#draw") == "homes"


def test_nonsense_in_the_address_is_harmless(laptop):
    page = laptop.open("staff.html", "#at=x/900/y&measure=&least=abc&area=none&nothing=1")
    assert "stand for" in page.inner_text("#count")


def test_keyboard_alone_reaches_a_home_and_comes_back(laptop):
    page = laptop.open("staff.html", "#draw=homes")
    page.wait_for_selector("#list button")
    for _ in range(60):
        page.keyboard.press("Tab")
        if page.evaluate("() => document.activeElement.closest('#list') !== null"):
            break
    home = page.evaluate("() => document.activeElement.textContent").split(":")[0]
    page.keyboard.press("Enter")
    page.wait_for_selector("#card:not([hidden])")
    assert page.evaluate("() => document.activeElement.id") == "card-title"
    assert page.inner_text("#card-title") == f"Home {home}"
    page.keyboard.press("Escape")
    assert page.is_hidden("#card")
    assert page.evaluate("() => document.activeElement.textContent").startswith(home)


def test_homes_in_the_list_come_highest_first(laptop, city):
    page = laptop.open("staff.html", "#draw=homes")
    page.wait_for_selector("#list button")
    ids = [text.split(":")[0] for text in page.locator("#list button").all_inner_texts()]
    p = city["scores"]["p_lead"]
    best = p.nlargest(len(ids))
    np.testing.assert_allclose(p[ids].to_numpy(), best.to_numpy(), atol=1e-4)


def test_the_list_does_not_lag_behind_the_view(laptop):
    """Homes are listed once their names have come; by then the view may be another."""
    page = laptop.open("staff.html")
    page.evaluate(
        """() => {
            const draw = document.getElementById("draw");
            for (const kind of ["homes", "areas"]) {
                draw.value = kind;
                draw.dispatchEvent(new Event("change", { bubbles: true }));
            }
        }"""
    )
    page.wait_for_timeout(500)
    assert page.inner_text("#list-title") == "Areas, greatest figure first"
    assert "stand for" in page.inner_text("#count")


def test_expected_lead_lines_stand_with_their_interval(laptop, area_list):
    """In the list and on the map; where a filter thins areas out, none is known."""
    page = laptop.open("staff.html", "#unknown=yes")
    assert "(" not in page.inner_text("#list")
    page.click("#list li:first-child button")
    card = page.inner_text("#card-body")
    assert "interval" not in card
    assert "only homes that pass the filters; rank and reasons are of all homes." in card
    page = laptop.open("public.html")
    assert "90% interval" in page.inner_text("#legend-note")
    page.click(".leaflet-control-zoom-in")
    page.click(".leaflet-control-zoom-in")
    page.locator(".zone-label span", has_text="Quarter").first.wait_for()
    labels = page.locator(".zone-label span").all_inner_texts()
    listed = page.locator("#list button").all_inner_texts()
    whole = [label for label in labels if label.startswith("Quarter") and "to" in label]
    assert whole
    assert {label.replace("\n(", " (").replace("\n", ": ") for label in whole} <= set(listed)
    page.select_option("#measure", "unknown")
    assert "(" not in page.inner_text("#list")


def test_area_card_gives_interval_rank_and_a_way_in(laptop):
    page = laptop.open("staff.html")
    page.click("#list li:first-child button")
    card = page.inner_text("#card-body")
    assert "90% interval" in card
    assert "Rank 1 of the areas" in card
    page.click("#card-body button")
    wait_for_homes(page)


@pytest.mark.parametrize("name", ["staff.html", "public.html"])
def test_phone_width_needs_no_sideways_scrolling(phone, name):
    page = phone.open(name)
    assert page.is_hidden("#legend")
    page.tap("#fold")
    page.wait_for_timeout(200)
    assert page.is_visible("#legend")
    assert page.evaluate("() => document.documentElement.scrollWidth") <= 390
    page.locator("#list button").first.tap()
    assert page.is_visible("#card-close")
    box = page.locator("#card").bounding_box()
    assert box["x"] >= 0
    assert box["x"] + box["width"] <= 390
    page.tap("#card-close")
    assert page.is_hidden("#card")


def test_a_tap_on_the_phone_opens_the_home(phone, city):
    home = city["parcels"].index[1500]
    latitude, longitude = middle(city, home)
    page = phone.open("staff.html", f"#at=18/{latitude:.6f}/{longitude:.6f}")
    box = page.locator(".folium-map").bounding_box()
    page.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.wait_for_selector("#card:not([hidden])")
    assert page.inner_text("#card-title") == f"Home {home}"


@pytest.mark.parametrize("size", ["laptop", "phone"])
@pytest.mark.parametrize(
    ("name", "view", "click"),
    [
        ("staff.html", "", "#list li:first-child button"),
        ("staff.html", "#draw=homes", None),
        ("staff.html", "#draw=homes&least=50", "#list li:first-child button"),
        ("public.html", "", "#list li:first-child button"),
    ],
)
def test_no_serious_finding_of_axe(request, size, name, view, click):
    """Rules of axe-core, by Deque; WCAG 2 A and AA among them."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    tab = request.getfixturevalue(size)
    page = tab.open(name, view)
    if size == "phone":
        page.tap("#fold")
    if click:
        page.click(click)
        page.wait_for_selector("#card:not([hidden])")
    found = axe.Axe().run(page).response["violations"]
    grave = {
        v["id"]: [n["html"] for n in v["nodes"]][:3]
        for v in found
        if v["impact"] in ("serious", "critical")
    }
    assert grave == {}


@pytest.mark.parametrize(
    ("name", "view"), [("staff.html", "#draw=homes"), ("staff.html", ""), ("public.html", "")]
)
def test_it_prints(laptop, name, view):
    page = laptop.open(name, view)
    pdf = page.pdf(format="A4", print_background=True)
    assert pdf.startswith(b"%PDF")
    page.emulate_media(media="print")
    assert page.is_hidden("#find-id" if name == "staff.html" else "#measure")
    assert page.is_visible("#legend")
    assert "not a compliance notice" in page.inner_text("body")


def test_public_page_opens_and_hides_small_counts(laptop, area_list):
    page = laptop.open("public.html")
    assert "Public edition" in page.inner_text(".panel")
    assert page.locator("#list button").count() == len(area_list)
    shown = page.locator("#list button").all_inner_texts()
    for text in shown:
        figures = re.findall(r"\d+", text.split(": ")[1].replace(",", ""))
        assert all(int(figure) % 10 == 0 for figure in figures)
        assert len(figures) == 3 or text.endswith(": not shown")
    assert page.locator("#find-id").count() == 0


def test_public_page_without_areas_says_so(new_tab, city, area_list, tmp_path):
    html = public_map_html(area_list.head(0), city["areas"].head(0), city="Alder Falls")
    (tmp_path / "bare.html").write_text(html, encoding="utf-8")
    tab = new_tab(tmp_path)
    page = tab.open("bare.html")
    assert "No outlines of areas were given" in page.inner_text(".panel")
    assert page.inner_text("#count") == "No areas drawn."
    tab.close()


def test_an_area_whose_homes_are_hidden_keeps_colour_and_label(new_tab, city, area_list, tmp_path):
    """The map looks the same whether or not the number of homes is shown."""
    figures = area_list.set_index("area_id")
    looks = {}
    for name, table in {"shown": figures, "hidden": figures.assign(homes=np.nan)}.items():
        page = locked_html(figure_map(table, city["areas"], title="Alder Falls", about=[]))
        (tmp_path / f"{name}.html").write_text(page, encoding="utf-8")
        tab = new_tab(tmp_path)
        opened = tab.open(f"{name}.html")
        labels = opened.locator(".zone-label").all_inner_texts()
        looks[name] = labels, opened.locator(".leaflet-container").screenshot()
        tab.close()
    assert len(looks["shown"][0]) > 3
    assert looks["hidden"] == looks["shown"]


def test_sheets_are_linked_both_ways(laptop, city, area_list):
    page = laptop.open("sheets/map.html")
    page.click("#list li:first-child button")
    page.click("#card-body a")
    laptop.settle()
    top = area_list.set_index("area_id")["expected_lead_lines"].idxmax()
    homes = int((city["scores"]["area_id"] == top).sum())
    assert f"of {homes} homes" in page.inner_text("#count")
    page.click("text=Back to the overview")
    laptop.settle()
    assert "areas drawn" in page.inner_text("#count")


def test_hexagons_cover_every_home_once(laptop, city):
    """Each home's middle lies in a hexagon of the size drawn; their sum is the city."""
    page = laptop.open("staff.html", "#draw=hexagons")
    rings = page.evaluate(
        """() => {
          const out = [];
          for (let x = -200; x < 200; x += 17) for (let y = -200; y < 200; y += 17) {
            const [c, r] = linemap.hexagonAt(x, y, 50);
            out.push([[x, y], linemap.hexagonRing(c, r, 50)]);
          }
          return out;
        }"""
    )
    for point, ring in rings:
        assert shapely.Polygon(ring).buffer(1e-6).covers(shapely.Point(point))


def test_a_city_of_points_without_areas(new_tab, city, tmp_path):
    """Homes known only as points, one without any place, no planning areas."""
    parcels = city["parcels"].iloc[:400].copy()
    parcels["geometry"] = parcels.geometry.centroid
    parcels.loc[parcels.index[7], "geometry"] = None
    scores = city["scores"].loc[parcels.index].assign(area_id=None)
    html = map_html(parcels, scores, city["areas"].iloc[:0])
    (tmp_path / "points.html").write_text(html, encoding="utf-8")
    tab = new_tab(tmp_path)
    page = tab.open("points.html", "#draw=homes")
    text = page.inner_text("#count")
    assert number(text, r"([\d,]+) of") == 399
    assert "1 home has no place on the map" in text
    home = parcels.index[20]
    latitude, longitude = middle({"parcels": parcels}, home)
    page = tab.open("points.html", f"#at=19/{latitude:.6f}/{longitude:.6f}")
    box = page.locator(".folium-map").bounding_box()
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.wait_for_selector("#card:not([hidden])")
    assert page.inner_text("#card-title") == f"Home {home}"
    page.fill("#find-id", parcels.index[7])
    page.keyboard.press("Enter")
    page.wait_for_function(
        f"() => document.querySelector('#card-title').textContent.endsWith('{parcels.index[7]}')"
    )
    tab.close()


def test_it_shows_inside_a_notebook_frame(browser, city, tmp_path):
    """As a notebook does: the page inside the srcdoc of a frame."""
    shown = draw_map(city["parcels"], city["scores"], city["areas"])._repr_html_()
    (tmp_path / "cell.html").write_text(f"<!doctype html><body>{shown}</body>", encoding="utf-8")
    page = browser.new_page(viewport={"width": 1000, "height": 700})
    errors = []
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.goto((tmp_path / "cell.html").as_uri())
    frame = page.frame_locator("iframe")
    frame.locator("html[data-ready=yes]").wait_for(state="attached", timeout=30_000)
    frame.locator("#draw").select_option("homes")
    frame.locator("#list button").first.click()
    assert frame.locator("#card-title").inner_text() != ""
    assert errors == []
    page.close()
