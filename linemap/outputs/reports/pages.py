"""Write the pages of a run."""

from __future__ import annotations

from pathlib import Path

from jinja2 import Environment, PackageLoader

from linemap.outputs.findings import Findings
from linemap.outputs.reports import numbers
from linemap.outputs.reports.methods import methods_content
from linemap.outputs.reports.public_report import public_content
from linemap.outputs.reports.staff_report import staff_content
from linemap.outputs.wording import CAUTIONS, PROBABILITY_CAUTION

PAGES = {
    "staff/report.html": ("staff_report.html", staff_content),
    "public/report.html": ("public_report.html", public_content),
    "methods.html": ("methods.html", methods_content),
}
"""Path in the run's folder: template, and what fills it."""


def write_reports(findings: Findings, folder: Path) -> None:
    """Write ``staff/report.html``, ``public/report.html`` and ``methods.html``.

    Parameters
    ----------
    findings : Findings
    folder : Path
        Folder of the run.
    """
    common = {
        "city": findings.settings.city.name,
        "as_of": findings.as_of.isoformat(),
        "cautions": CAUTIONS,
        "probability_caution": PROBABILITY_CAUTION,
    }
    environment = page_environment()
    for name, (template, content) in PAGES.items():
        text = environment.get_template(template).render(**common, **content(findings))
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")


def page_environment() -> Environment:
    """Return the templates with their filters; everything that is printed is escaped."""
    environment = Environment(
        loader=PackageLoader("linemap.outputs"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {
        "count": numbers.count,
        "share": numbers.share,
        "number": numbers.number,
        "plain": numbers.plain,
    }
    return environment
