"""Execute the notebooks from fresh kernels and store them with small outputs.

    python notebooks/store.py [NAME ...]

needs the extra ``test`` and Chromium. Each notebook runs in a folder of its own that is thrown
away. An interactive map is stored as a picture of itself, so that a notebook stays small and
shows its map anywhere; running the cell gives the map again.
"""

from __future__ import annotations

import base64
import io
import shutil
import sys
import tempfile
from importlib.metadata import version
from pathlib import Path
from typing import Any

import nbformat
from nbclient import NotebookClient
from PIL import Image

HERE = Path(__file__).parent
LIBRARIES = (
    "geopandas",
    "matplotlib",
    "numpy",
    "pandas",
    "scikit-learn",
    "scipy",
    "shapely",
    "statsmodels",
)
"""Libraries whose version may change a figure or how it is printed."""
MAP_SIZE = (900, 560)
"""Width and height of a stored map [pixels]."""
COLOURS = 48
"""Colours of a stored picture."""


def notebooks() -> list[Path]:
    """Return the notebooks in the order of their numbers."""
    return sorted(HERE.glob("[0-9][0-9]_*.ipynb"))


def execute(path: Path, folder: Path) -> Any:
    """Run a notebook in a folder from a fresh kernel and return it with its outputs.

    Raises nbclient's CellExecutionError if any cell fails.
    """
    book = nbformat.read(path, as_version=4)
    where = {"metadata": {"path": str(folder)}}
    client = NotebookClient(book, timeout=600, resources=where, coalesce_streams=True)
    client.execute()
    for cell in book.cells:
        cell.metadata.pop("execution", None)  # times of the clock
        for output in cell.get("outputs", ()):
            output.get("metadata", {}).clear()
    book.metadata = {
        "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
        "language_info": {"name": "python"},
        "made_with": {name: version(name) for name in LIBRARIES},
    }
    return book


def is_map(output: Any) -> bool:
    """Return whether an output is an interactive map."""
    return "<iframe" in output.get("data", {}).get("text/html", "")


def picture(html: str) -> bytes:
    """Return what a browser shows of a map as a PNG; nothing is fetched."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as browsers:
        chromium = browsers.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        width, height = MAP_SIZE
        page = chromium.new_page(viewport={"width": width, "height": height})
        page.route("http*://**", lambda route: route.abort())
        page.set_content(f"<body style='margin:0'>{html}</body>")
        page.wait_for_timeout(3000)
        content = page.screenshot()
        chromium.close()
    return content


def small(content: bytes) -> str:
    """Return a PNG with few colours, in base64."""
    image = Image.open(io.BytesIO(content)).convert("RGB")
    kept = io.BytesIO()
    image.quantize(COLOURS, dither=Image.Dither.NONE).save(kept, "PNG", optimize=True)
    return base64.b64encode(kept.getvalue()).decode("ascii")


def store(path: Path) -> None:
    """Execute a notebook, put pictures in place of maps, and write it back."""
    with tempfile.TemporaryDirectory() as folder:
        book = execute(path, Path(folder))
    for cell in book.cells:
        for output in cell.get("outputs", ()):
            data = output.get("data", {})
            if is_map(output):
                data["image/png"] = small(picture(data.pop("text/html")))
            elif "image/png" in data:
                data["image/png"] = small(base64.b64decode(data["image/png"]))
    nbformat.write(book, path)


if __name__ == "__main__":
    for notebook in notebooks():
        if len(sys.argv) == 1 or notebook.stem in sys.argv[1:] or notebook.name in sys.argv[1:]:
            store(notebook)
            print(f"{notebook.name}: {notebook.stat().st_size / 1000:,.0f} kB")
