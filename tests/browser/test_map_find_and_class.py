"""In a real browser: homes found by address, classes told apart, focus and targets of touch."""

import pytest

from linemap.outputs.map import draw_map, map_html
from linemap.tables import INVENTORY_CLASSES

pytestmark = pytest.mark.browser

LEAD, GALVANIZED, NON_LEAD, UNKNOWN = INVENTORY_CLASSES


@pytest.fixture(scope="session")
def town(city):
    """400 homes of all four classes with addresses; three share one, one has none."""
    parcels = city["parcels"].iloc[:400].copy()
    parcels["address"] = [f"{100 + k} Elm Street, Alder Falls" for k in range(400)]
    parcels.iloc[10:13, parcels.columns.get_loc("address")] = "9 Mill  Lane"
    parcels.iloc[13, parcels.columns.get_loc("address")] = "9 Mill Lane West"
    parcels.iloc[20, parcels.columns.get_loc("address")] = None
    scores = city["scores"].loc[parcels.index].assign(beyond_data=False)
    scores["inventory_class"] = [INVENTORY_CLASSES[k % 4] for k in range(400)]
    scores["basis"] = ["no evidence" if k % 4 == 3 else "city record" for k in range(400)]
    return parcels, scores


@pytest.fixture(scope="session")
def town_page(city, town, tmp_path_factory):
    folder = tmp_path_factory.mktemp("town")
    html = map_html(*town, city["areas"], city="Alder Falls")
    (folder / "staff.html").write_text(html, encoding="utf-8")
    return folder


@pytest.fixture
def tab(new_tab, town_page):
    opened = new_tab(town_page)
    yield opened
    opened.close()


def look(page, words):
    """Type into the find box, press Enter and wait for an answer."""
    page.fill("#find-id", words)
    page.evaluate("() => (document.getElementById('find-answer').textContent = 'waiting')")
    page.keyboard.press("Enter")
    page.wait_for_function("() => document.getElementById('find-answer').textContent !== 'waiting'")
    return page.inner_text("#find-answer")


@pytest.mark.parametrize("words", ["137 elm street alder falls", "  137 ELM Street,  alder Falls "])
def test_a_home_is_found_by_its_address_in_any_case(tab, town, words):
    page = tab.open("staff.html")
    home = town[0].index[37]
    said = look(page, words)
    assert said == f"137 Elm Street, Alder Falls is parcel {home}."
    page.wait_for_selector("#card:not([hidden])")
    assert page.inner_text("#card-title") == f"Home {home}"
    assert page.inner_text("#card-under").startswith("137 Elm Street, Alder Falls · ")


def test_a_beginning_that_only_one_home_has_finds_it(tab, town):
    page = tab.open("staff.html")
    look(page, "9 mill lane w")
    page.wait_for_selector("#card:not([hidden])")
    assert page.inner_text("#card-title") == f"Home {town[0].index[13]}"


def test_homes_that_share_an_address_are_offered_and_not_guessed(tab, town):
    """The three of that very address, not the fourth that only begins so."""
    page = tab.open("staff.html")
    look(page, town[0].index[0])
    page.wait_for_selector("#card:not([hidden])")
    assert look(page, "9 Mill Lane") == "3 homes fit 9 Mill Lane. Choose one:"
    assert page.is_hidden("#card")
    choices = page.locator("#find-choices button")
    shared = {f"9 Mill Lane ({home})" for home in town[0].index[10:13]}
    assert set(choices.all_inner_texts()) == shared
    page.keyboard.press("Tab")  # to the button Find
    page.keyboard.press("Tab")
    chosen = page.evaluate("() => document.activeElement.textContent")
    page.keyboard.press("Enter")
    page.wait_for_selector("#card:not([hidden])")
    assert f"({page.inner_text('#card-title').removeprefix('Home ')})" in chosen


def test_many_homes_are_counted_and_the_first_few_offered_by_number(tab):
    page = tab.open("staff.html")
    assert look(page, "1") == "95 homes fit 1. The first 8:"
    offered = page.locator("#find-choices button").all_inner_texts()
    assert [text.split()[0] for text in offered] == [str(100 + k) for k in range(8)]


def test_where_nothing_fits_the_card_of_another_home_closes(tab, town):
    page = tab.open("staff.html")
    look(page, town[0].index[0])
    page.wait_for_selector("#card:not([hidden])")
    page.focus("#find-id")
    said = look(page, "1 Nowhere Road")
    assert said == "No home has the parcel id or address 1 Nowhere Road."
    assert page.is_hidden("#card")
    assert page.locator("#find-choices button").count() == 0
    assert page.evaluate("() => document.activeElement.id") == "find-id"
    assert "home=" not in page.evaluate("() => location.hash")


def test_without_addresses_the_card_of_another_home_closes_too(laptop, city):
    page = laptop.open("staff.html")
    assert "address" not in page.inner_text("#find")
    look(page, city["scores"].index[5])
    page.wait_for_selector("#card:not([hidden])")
    assert look(page, "AF-") == "No home has the parcel id AF-."
    assert page.is_hidden("#card")


def test_the_page_of_one_area_says_that_other_areas_have_pages(laptop, city):
    page = laptop.open("sheets/map-001.html")
    elsewhere = city["scores"].index[city["scores"]["area_id"] == "A10"][0]
    said = look(page, elsewhere)
    assert said.startswith(f"No home has the parcel id {elsewhere}.")
    assert said.endswith("the overview links to the others.")


def test_addresses_are_suggested(tab):
    page = tab.open("staff.html")
    page.fill("#find-id", "9 MILL")
    page.wait_for_function("() => document.querySelectorAll('#find-ids option').length > 0")
    offered = page.evaluate(
        "() => [...document.querySelectorAll('#find-ids option')].map(o => o.value)"
    )
    assert set(offered) == {"9 Mill Lane", "9 Mill Lane West"}


def test_addresses_that_are_all_empty_count_as_none(city, town):
    parcels, scores = town
    assert "addresses" in draw_map(parcels, scores, city["areas"]).data
    blank = draw_map(parcels.assign(address=None), scores, city["areas"])
    assert "addresses" not in blank.data
    assert "or address" not in blank.panel


def test_zooming_in_from_a_card_puts_the_keyboard_on_the_map(laptop):
    page = laptop.open("staff.html")
    page.focus("#list li:first-child button")
    page.keyboard.press("Enter")
    page.focus("#card-body button.action")
    page.keyboard.press("Enter")
    page.locator("#list-title", has_text="Homes in view").wait_for()
    assert page.evaluate("() => document.activeElement.getAttribute('role')") == "application"
    before = page.evaluate("() => location.hash")
    page.keyboard.press("ArrowRight")
    page.wait_for_timeout(600)
    assert page.evaluate("() => location.hash") != before


def test_closing_a_card_whose_list_is_gone_leaves_the_keyboard_on_the_map(laptop):
    page = laptop.open("staff.html", "#draw=homes")
    page.focus("#list li:first-child button")
    page.keyboard.press("Enter")
    page.wait_for_selector("#card:not([hidden])")
    page.evaluate("() => document.getElementById('list').replaceChildren()")
    page.keyboard.press("Escape")
    assert page.evaluate("() => document.activeElement.getAttribute('role')") == "application"


@pytest.mark.parametrize("name", ["staff.html", "public.html"])
def test_targets_of_touch_are_large_enough(phone, name):
    page = phone.open(name)
    page.tap("#fold")
    page.wait_for_timeout(200)
    small = page.evaluate(
        """() => [...document.querySelectorAll('.leaflet-bar a, button, select, label.tick, input')]
          .filter((x) => x.checkVisibility() && x.type !== 'checkbox')
          .filter((x) => x.offsetWidth < 44 || x.offsetHeight < 44)
          .map((x) => x.outerHTML)"""
    )
    assert small == []


@pytest.mark.parametrize(
    ("choice", "classes"),
    [
        ("lead", [LEAD]),
        ("galvanized", [GALVANIZED]),
        ("replace", [LEAD, GALVANIZED]),
        ("non-lead", [NON_LEAD]),
        ("unknown", [UNKNOWN]),
    ],
)
def test_the_class_filter_passes_those_classes_alone(tab, town, choice, classes):
    page = tab.open("staff.html", "#draw=homes")
    page.select_option("#pick-class", choice)
    tab.settle()
    wanted = town[1]["inventory_class"].isin(classes).sum()
    assert page.inner_text("#count").startswith(f"{wanted} of 400 homes drawn")
    assert f"class={choice}" in page.evaluate("() => location.hash")
    words = page.locator("#filter-words").text_content()
    assert words == f"Only homes with the class {' or '.join(classes)} are shown."


def test_a_link_to_the_unknown_lines_of_earlier_maps_still_holds(tab, town):
    page = tab.open("staff.html", "#draw=homes&unknown=yes")
    assert page.input_value("#pick-class") == "unknown"
    wanted = (town[1]["inventory_class"] == UNKNOWN).sum()
    assert page.inner_text("#count").startswith(f"{wanted} of 400 homes drawn")


def test_classes_differ_on_the_map_without_colour(tab, town):
    """Near the middle of a home: white and black of a letter, another for each class."""
    parcels, scores = town
    pictures = {}
    for kind in INVENTORY_CLASSES:
        home = scores.index[scores["inventory_class"] == kind][3]
        point = parcels.geometry.loc[[home]].to_crs(3857).envelope.centroid.to_crs(4326).iloc[0]
        page = tab.open("staff.html", f"#at=19/{point.y:.7f}/{point.x:.7f}")
        pictures[kind] = page.evaluate(
            """() => {
              const map = document.querySelector('.folium-map').getBoundingClientRect();
              const [x, y] = [map.x + map.width / 2, map.y + map.height / 2];
              const ink = { white: 0, black: 0 };
              for (const c of document.querySelectorAll('.homes canvas')) {
                const b = c.getBoundingClientRect();
                const k = c.width / b.width;
                const all = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;
                for (let v = 0; v < c.height; v++) for (let u = 0; u < c.width; u++) {
                  const [dx, dy] = [b.x + u / k - x, b.y + v / k - y];
                  if (Math.abs(dx) > 8 || Math.abs(dy) > 8) continue;
                  const pixel = [...all.slice(4 * (v * c.width + u), 4 * (v * c.width + u) + 3)];
                  if (pixel.every((part) => part === 255)) ink.white += 1;
                  if (pixel.every((part) => part === 17)) ink.black += 1;
                }
              }
              return [ink.white, ink.black];
            }"""
        )
    assert pictures[NON_LEAD] == pictures[UNKNOWN] == [0, 0]
    assert min(pictures[LEAD]) > 5
    assert min(pictures[GALVANIZED]) > 5
    assert pictures[LEAD] != pictures[GALVANIZED]
    legend = page.inner_text("#legend")
    assert "letter L: class is lead" in legend
    assert "letter G: class is galvanized requiring replacement" in legend
    assert "no letter: non-lead" in legend


@pytest.mark.parametrize("kind", INVENTORY_CLASSES)
def test_a_known_class_stands_before_the_percentage(tab, town, kind):
    home = town[1].index[town[1]["inventory_class"] == kind][0]
    page = tab.open("staff.html", f"#home={home}")
    page.wait_for_selector("#card:not([hidden])")
    card = page.inner_text("#card-body")
    basis = "no evidence" if kind == UNKNOWN else "city record"
    first = card.index(f"{kind}. Basis: {basis}.") < card.index("estimated probability")
    assert first == (kind != UNKNOWN)
    assert card.count("The probability never sets the class.") == 1
    assert "No level of lead" in card


@pytest.mark.parametrize(
    ("chance", "without", "said"),
    [
        (0.0131, 0.009, "Without the city record it would be under 1% instead of 1%."),
        (0.012, 0.0149, None),
        (0.004, 0.009, None),
        (0.31, 0.42, "Without the city record it would be 42% instead of 31%."),
    ],
)
def test_a_change_that_rounds_to_nothing_is_not_told(tab, chance, without, said):
    page = tab.open("staff.html")
    told = page.evaluate(
        """([chance, without]) => linemap.wouldChange(chance, 0, {
          weights: [0, 0, 1, 1, 1, 0], telling: 'record', without, learn: null })""",
        [chance, without],
    )
    assert [line for line in told if line.startswith("Without")] == ([said] if said else [])


def test_a_high_result_is_cautioned_before_anything_else_of_the_kit(laptop, city):
    pairs = city["pairs"].set_index("parcel_id")["first_high"]
    high, low = pairs[pairs > 10].index[0], pairs[pairs < 10].index[0]
    page = laptop.open("staff.html", f"#home={high}")
    page.wait_for_selector("#card:not([hidden])")
    caution = page.inner_text("#card-body .caution >> nth=0")
    assert caution.startswith("High result. A kit of this home shows more than 10 ug/L.")
    assert "health department" in caution
    body = page.inner_text("#card-body")
    assert body.index("High result.") < body.index("Kits that came back")
    page = laptop.open("staff.html", f"#home={low}")
    page.wait_for_selector("#card:not([hidden])")
    assert "High result." not in page.inner_text("#card-body")


def test_numbers_are_rounded_on_the_map_as_in_the_reports(laptop):
    page = laptop.open("staff.html")
    for number in (0.5, 1.5, 330.5, 331.5, 330.49, 12345.6):
        assert page.evaluate(f"() => linemap.whole({number})") == f"{number:,.0f}"
