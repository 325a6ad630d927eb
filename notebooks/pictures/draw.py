"""Take the pictures of README.md from the pages of a finished run.

    python notebooks/pictures/draw.py RUN [FOLDER]

needs the extra ``test`` and Chromium. The pages open from disk; nothing is fetched.
"""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

from playwright.sync_api import sync_playwright

PICTURES = {"staff_map.png": ("staff/map.html", 1200, 720)}
"""Name of the picture: page of the run, width and height [pixels]."""


def draw(run: Path, folder: Path) -> list[Path]:
    """Write every picture into the folder and return their paths."""
    folder.mkdir(parents=True, exist_ok=True)
    drawn = []
    with sync_playwright() as browsers:
        chromium = browsers.chromium.launch(
            executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
        )
        for name, (page_name, width, height) in PICTURES.items():
            page = chromium.new_page(viewport={"width": width, "height": height})
            page.route("http*://**", lambda route: route.abort())
            page.goto((run / page_name).absolute().as_uri())
            page.wait_for_timeout(3000)
            page.screenshot(path=folder / name)
            drawn.append(folder / name)
        chromium.close()
    return drawn


if __name__ == "__main__":
    here = Path(__file__).parent
    for path in draw(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) > 2 else here):
        print(path)
