"""A folium map in a page of our own that asks no network for anything."""

from __future__ import annotations

import base64
import json
import re
import zlib
from functools import cache
from importlib.resources import files
from typing import Any

import folium
from branca.element import Element, Figure
from jinja2 import Environment, Template
from xstatic.pkg import leaflet

POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; "
    "img-src data: blob:; base-uri 'none'; form-action 'none'"
)
"""Content security policy of written pages: the browser itself refuses every request."""


class Page(Figure):
    """An HTML page around one map; folium renders into it."""

    _template = Template(
        "<!DOCTYPE html>\n"
        '<html lang="en">\n'
        "<head>\n"
        "{{ this.header.render(**kwargs) }}\n"
        "<title>{{ this.title|e }}</title>\n"
        "</head>\n"
        "<body>\n"
        "{{ this.html.render(**kwargs) }}\n"
        "<script>\n{{ this.script.render(**kwargs) }}\n</script>\n"
        "</body>\n"
        "</html>\n"
    )

    def __init__(self, *, title: str) -> None:
        super().__init__(title=title, height="640px")


class PackedMap(folium.Map):
    """A folium map whose scripts, styles and data are all in the page.

    Parameters
    ----------
    title : str
        Title of the page.
    panel : str
        HTML of the side panel, escaped.
    start : str
        Function of ours that starts the page.
    scripts : list of str
        Our script files, in order, after Leaflet.
    page : dict
        What the start function is told; written as JSON.
    data : dict of str to bytes
        Data by name; deflated and written as base64.
    """

    _template = Template(files(__package__).joinpath("assets/map.html").read_text("utf-8"))

    def __init__(
        self,
        *,
        title: str,
        panel: str,
        start: str,
        scripts: list[str],
        page: dict[str, Any],
        data: dict[str, bytes],
    ) -> None:
        super().__init__(location=(0.0, 0.0), tiles=None)
        self.default_js, self.default_css = [], []
        self._id = "city"  # one map in a page: a fixed name keeps the bytes of two runs alike
        self.panel = panel
        self.start = start
        self.styles = [leaflet_style(), asset("page.css"), asset("print.css")]
        self.scripts = [leaflet_script(), *(asset(name) for name in scripts)]
        self.page = plain(json_bytes(page).decode().replace("<", "\\u003c"), "\\u007b")
        self.data = {name: packed(content) for name, content in data.items()}
        self.title = title
        Page(title=title).add_child(self)

    def __repr__(self) -> str:
        return f"<map: {self.title}>"


def asset(name: str) -> str:
    """Return the text of a file beside this module."""
    return files(__package__).joinpath("assets", name).read_text(encoding="utf-8")


def panel(name: str, **values: Any) -> str:
    """Return a side panel with every value escaped."""
    text = Environment(autoescape=True).from_string(asset(name)).render(**values)
    return plain(text, "&#123;")


def plain(text: str, brace: str) -> str:
    """Return text that cannot end a raw block of a template: folium reads a page twice.

    What a template writes is handed to folium, which reads it as a template again; the page
    therefore stands in raw blocks, and no text from outside may close one.
    """
    return text.replace("{%", f"{brace}%")


def locked_html(drawn: folium.Map) -> str:
    """Return a map's page under a policy by which the browser refuses every request."""
    page: Any = drawn.get_root()
    tag = f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
    page.header.add_child(Element(tag), name="policy")
    return str(page.render())


def packed(content: bytes) -> str:
    """Return bytes as text: deflated (zlib format), then base64."""
    return base64.b64encode(zlib.compress(content, 6)).decode("ascii")


def json_bytes(value: Any) -> bytes:
    """Return a value as compact JSON."""
    return json.dumps(value, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()


def _leaflet(name: str) -> bytes:
    return (files(leaflet) / "data" / name).read_bytes()


@cache
def leaflet_script() -> str:
    """Return Leaflet and its licence line, without the reference to a source map."""
    text = _leaflet("leaflet.js").decode()
    return re.sub(r"//# sourceMappingURL=\S+", "", text)


@cache
def leaflet_style() -> str:
    """Return Leaflet's style with its few pictures written into it."""

    def picture(match: re.Match[str]) -> str:
        content = base64.b64encode(_leaflet(match.group(1))).decode("ascii")
        return f"url(data:image/png;base64,{content})"

    return re.sub(r"url\((images/[^)]+\.png)\)", picture, _leaflet("leaflet.css").decode())
