"""Settings of a run: frozen, read from one TOML file, all faults reported together.

Every section and key that linemap knows stands in this file with its default. Unknown keys,
wrong types and missing files are gathered and raised once, with the nearest valid name.
"""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path
from typing import Any, Literal, get_args

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from linemap.database import is_address, without_person
from linemap.errors import SettingsError
from linemap.published import state_on_file
from linemap.references import mapping_faults, missing_files, nearest, split_part

Edition = Literal["LCR", "LCRR", "LCRI"]
"""Editions of the lead and copper rule."""


class _Section(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True)


class CitySettings(_Section):
    """Name of the city, the reference system of files that carry none, the day of the run.

    ``as_of`` defaults to the latest date in the input files, so that a run repeated on another
    day gives the same lists; a date more than a year after 99% of all rows, in one or two of them
    alone, is passed over and noted. Kits with a date after that day are in doubt. ``day_first``
    answers the question how dates such as 5/4/2024 are to be read where a file leaves it open;
    ``units_confirmed`` says that somebody asked the laboratory about units that look wrong and
    found them right.
    """

    name: str = "our city"
    crs: str | None = None
    as_of: date | None = None
    day_first: bool | None = None
    units_confirmed: bool = False


class FileSettings(_Section):
    """Paths of the input tables, relative to the settings file.

    ``file.xlsx#Sheet`` and ``file.gpkg#layer`` name one sheet or layer of a file,
    ``postgresql://HOST/DATABASE?table=SCHEMA.TABLE`` a table or view in PostgreSQL.

    ``city_column`` makes these the tables of a state: that column of the parcels names the city
    of each row. The other tables may have it too; without it a row follows its parcel or kit.
    """

    city_column: str | None = None
    parcels: str
    lines: str | None = None
    checks: str | None = None
    kits: str | None = None
    samples: str | None = None
    answers: str | None = None
    areas: str | None = None
    sites: str | None = None


class RuleSettings(_Section):
    """Which edition of the rule applies, and what the state adds to it.

    ``state`` names a state with an action level of its own, e.g. Michigan (12 ug/L since 2025);
    the stricter of its level and the federal one holds. Leave it out elsewhere.
    """

    edition: Edition = "LCRR"
    rank_method: Literal["interpolate", "half_up", "half_even", "next_rank"] = "interpolate"
    lead_connector_counts: bool = False
    state: str | None = None

    @field_validator("state")
    @classmethod
    def _with_level(cls, name: str | None) -> str | None:
        return None if name is None else state_on_file(name)


class ScoringSettings(_Section):
    """Seed and choices of the scoring stage.

    With the target ``needs_replacement`` scores also say how likely a line is lead or galvanized
    pipe that is or may have been below lead. Kits go by lead alone, since they cannot tell the
    rest. ``share_witnesses`` lets the cities of one run tell each other how often records,
    answers and bottles err, in sums over homes; it needs several cities that all say so.
    """

    seed: int = Field(default=1, ge=0)
    extra: tuple[str, ...] = ()
    prior: Literal["spline", "trees", "both"] = "spline"
    target: Literal["lead", "needs_replacement"] = "lead"
    use_income: bool = False
    share_witnesses: bool = False

    @field_validator("extra")
    @classmethod
    def _no_private_facts(cls, names: tuple[str, ...]) -> tuple[str, ...]:
        private = [name for name in names if name in ("pregnant", "address")]
        if private:
            raise ValueError(f"{', '.join(private)} may never sharpen a score. Take it out.")
        return names


class EvaluationSettings(_Section):
    """How the scores are held against checks.

    Every protocol refits the model for each fold, so a run does three of them; ``linemap
    evaluate`` does all six.
    """

    protocols: tuple[Literal["random", "blocks", "matched", "time", "audit", "learning"], ...] = (
        "random",
        "blocks",
        "audit",
    )
    block_m: float = Field(default=600.0, gt=0)
    folds: int = Field(default=5, ge=2, le=50)
    bootstrap: int = Field(default=200, ge=20)


class ValueSettings(_Section):
    """Worth of the parts of a kit's value, each in units of one expected lead line."""

    find: float = Field(default=1.0, ge=0)
    learn: float = Field(default=0.1, ge=0)
    harm: float = Field(default=0.2, ge=0)


class GroupLimit(_Section):
    """Smallest and largest share of the kits that go to homes with one value of a column."""

    column: str
    value: str
    floor: float = Field(default=0.0, ge=0, le=1)
    cap: float = Field(default=1.0, gt=0, le=1)


COLUMNS_OF_HOMES = (
    "income_third",
    "name",
    "need",
    "site_kind",
    "inventory_class",
    "basis",
    "beyond_data",
    "median_income",
    "children_under_6",
)
"""What is known of each home beside the columns of the parcels."""


AuditDraw = Literal["likelier", "equal"]
"""Whether the audit arm draws homes with a higher chance of lead more often, or all alike."""


MOST_KITS = 10_000_000
"""Kits of a list, in all, in an area or a week; more homes than any city has."""

MOST_DAYS = 36_500
"""Quiet days, and weeks of sending: longer than anybody lives in a home."""


class OutreachSettings(_Section):
    """Budget, limits and floors of the next list of kits.

    ``lab_capacity`` counts returned kits a week over ``weeks``; ``site_share`` is the largest
    share of the kits that goes to listed sites first; ``group`` holds floors and caps for
    further groups. The lowest-income third gets at least the share ``floor_low_income`` of the
    kits and at least ``low_income_kits_to_lead`` times its share of expected lead, whichever is
    more: four fifths, below which 29 CFR 1607.4(D) sees a group at a disadvantage (from memory;
    written for hiring). ``floor_renters`` and ``renter_kits_to_lead`` say the same of homes whose
    owner lives elsewhere; half is our choice. ``audit_share`` of the kits is drawn at random,
    ``audit_draw`` says how: homes with a higher chance of lead more often, or all alike.
    ``recheck_above`` is the probability of lead from which a home that is non-lead by record
    only may be sent a kit too; ``look_above`` that from which a home with a usable kit is sent
    no other one, but stands on the list of pipes to look at.
    """

    kits: int = Field(default=400, ge=1, le=MOST_KITS)
    lab_capacity: int | None = Field(default=None, ge=1, le=MOST_KITS)
    weeks: int = Field(default=4, ge=1, le=MOST_DAYS)
    floor_per_area: int = Field(default=2, ge=0, le=MOST_KITS)
    cap_per_area: int | None = Field(default=None, ge=1, le=MOST_KITS)
    floor_low_income: float = Field(default=0.3, ge=0, le=1)
    low_income_kits_to_lead: float = Field(default=0.8, ge=0, le=2)
    floor_renters: float = Field(default=0.0, ge=0, le=1)
    renter_kits_to_lead: float = Field(default=0.5, ge=0, le=2)
    audit_share: float = Field(default=0.1, ge=0, lt=1)
    audit_draw: AuditDraw = "likelier"
    quiet_days: int = Field(default=365, ge=0, le=MOST_DAYS)
    site_share: float = Field(default=0.1, ge=0, le=1)
    per_segment: int | None = Field(default=None, ge=1, le=MOST_KITS)
    group: tuple[GroupLimit, ...] = ()
    recheck_above: float | None = Field(default=None, gt=0, lt=1)
    look_above: float | None = Field(default=0.9, gt=0, lt=1)
    opt_out: str | None = None
    aim: Literal["most_lead", "most_need", "least_tested"] = "most_lead"
    value: ValueSettings = ValueSettings()


class OutputSettings(_Section):
    """What the pages say and the smallest count that the public may see."""

    smallest_public_count: int = Field(default=10, ge=5)
    kit_contact: str = "Ask your water utility how to get a free sampling kit."
    language: Literal["en"] = "en"


class Settings(_Section):
    """All settings of a run; see the sections for their keys."""

    city: CitySettings = CitySettings()
    files: FileSettings
    columns: dict[str, dict[str, str]] = {}
    values: dict[str, dict[str, str]] = {}
    rules: RuleSettings = RuleSettings()
    scoring: ScoringSettings = ScoringSettings()
    evaluation: EvaluationSettings = EvaluationSettings()
    outreach: OutreachSettings = OutreachSettings()
    outputs: OutputSettings = OutputSettings()
    folder: str = ""

    def parcel_columns(self) -> tuple[str, ...]:
        """Return the columns beyond the contract that the parcels are read with.

        Those that scoring may learn from, and those that a limit of the list is set on.
        """
        groups = [group.column for group in self.outreach.group]
        own = [name for name in groups if name not in COLUMNS_OF_HOMES]
        return tuple(dict.fromkeys([*self.scoring.extra, *own]))

    def of_one_city(self) -> None:
        """Raise SettingsError if these are the settings of a state."""
        if self.files.city_column is not None:
            said = "files.city_column makes these the tables of several cities. Use `linemap run`."
            raise SettingsError([said], self.city.name)

    def path(self, table: str) -> Path | None:
        """Return the full path of an input table's file, or None if no file was given."""
        return self._file(table)[0]

    def part(self, table: str) -> str | None:
        """Return the sheet or layer that was named after ``#``, or None."""
        return self._file(table)[1]

    def _file(self, table: str) -> tuple[Path | None, str | None]:
        name = getattr(self.files, table)
        if name is None or is_address(name):
            return None, None
        return split_part(Path(self.folder) / name)


def load_settings(path: str | Path) -> Settings:
    """Read and check a settings file.

    Parameters
    ----------
    path : str or Path
        TOML file. File names in it are relative to its own folder.

    Returns
    -------
    Settings
        Frozen.

    Raises
    ------
    SettingsError
        Naming every fault at once: unknown keys with the nearest valid name, wrong types,
        values out of range, files that do not exist.
    """
    path = Path(path)
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise SettingsError([f"there is no file {path}. Check the path."], str(path)) from None
    except IsADirectoryError:
        raise SettingsError(
            [f"{path} is a folder. Name the settings file in it."], str(path)
        ) from None
    except UnicodeDecodeError:
        raise SettingsError(["the file is not UTF-8 text. Save it as UTF-8."], str(path)) from None
    except tomllib.TOMLDecodeError as error:
        raise SettingsError([f"the file is not valid TOML: {error}."], str(path)) from None
    return parse_settings(raw, folder=path.resolve().parent, source=str(path))


def parse_settings(
    raw: dict[str, Any], folder: str | Path = "", source: str = "settings"
) -> Settings:
    """Check settings that are already a dictionary; see :func:`load_settings`."""
    raw = {key: value for key, value in raw.items() if key != "folder"}
    faults: list[str] = []
    settings: Settings | None = None
    try:
        settings = Settings.model_validate(_tuples({**raw, "folder": str(folder)}))
    except ValidationError as error:
        faults += [_fault(item) for item in error.errors()]
    faults += mapping_faults(raw)
    faults += missing_files(raw, Path(folder))
    if faults or settings is None:
        raise SettingsError([without_person(fault) for fault in faults], source)
    return settings


def outreach_with(limits: OutreachSettings, changes: dict[str, Any]) -> OutreachSettings:
    """Return limits with some keys changed and checked.

    Raises
    ------
    SettingsError
        If a key or value is not valid.
    """
    try:
        return OutreachSettings.model_validate({**limits.model_dump(), **_tuples(changes)})
    except ValidationError as error:
        items = [{**item, "loc": ("outreach", *item["loc"])} for item in error.errors()]
        faults = [without_person(_fault(item)) for item in items]
        raise SettingsError(faults, "limits") from None


def settings_text(settings: Settings) -> str:
    """Return what was set, as the text of a settings file; defaults are left out.

    Examples
    --------
    >>> print(settings_text(parse_settings({"files": {"parcels": "postgresql://h/d?table=t"}})))
    [files]
    parcels = "postgresql://h/d?table=t"
    """
    raw = settings.model_dump(exclude_unset=True, exclude_none=True, exclude={"folder"})
    return tomli_w.dumps(raw).rstrip()


def _tuples(node: Any) -> Any:
    """TOML arrays arrive as lists; frozen settings hold tuples."""
    if isinstance(node, dict):
        return {key: _tuples(value) for key, value in node.items()}
    return tuple(node) if isinstance(node, list) else node


def _fault(item: Any) -> str:
    place = ".".join(str(part) for part in item["loc"])
    if item["type"] == "extra_forbidden":
        near = nearest(str(item["loc"][-1]), _valid_names(item["loc"][:-1]))
        return f"{place} is not a setting.{near}"
    if item["type"] == "missing":
        return f"{place} is required. Add it."
    if item["type"] == "value_error":
        return f"{place} = {item['input']!r}: {str(item['msg']).removeprefix('Value error, ')}"
    message = str(item["msg"]).rstrip(".").lower()
    return f"{place} = {item['input']!r}: {message}."


def _valid_names(path: tuple[Any, ...]) -> list[str]:
    model: Any = Settings
    for part in path:
        if isinstance(part, int):
            model = get_args(model)[0]
        else:
            model = model.model_fields[str(part)].annotation
    return [name for name in model.model_fields if name != "folder"]
