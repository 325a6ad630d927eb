"""Tables of the ledger: rows are only ever added, and the database itself refuses the rest.

A round is frozen the moment its row stands in ``rounds``: its picks and forecast go in before
it in the same transaction, and a trigger refuses any that come later. Outcomes and closings
work the same way. A correction is a new row that points at the outcome it corrects.
"""

from __future__ import annotations

APPLICATION_ID = 0x6C6D6C67
"""Marks an SQLite file as a ledger of rounds."""

OUTCOMES = ("usable", "not_usable", "refused", "undeliverable", "silent")
"""What may come of a kit; ``silent`` until something is heard."""

LEAD_FOUND = ("yes", "no", "unknown")
"""Whether a lead line was found at the home; a low result alone is ``unknown``."""

_WORDS = ", ".join(f"'{word}'" for word in OUTCOMES)
_FOUND = ", ".join(f"'{word}'" for word in LEAD_FOUND)
_RESULT = f"""
    outcome    TEXT NOT NULL CHECK (outcome IN ({_WORDS})),
    lead_found TEXT NOT NULL CHECK (lead_found IN ({_FOUND}))"""

TABLES = {
    "entries": """
    number     INTEGER PRIMARY KEY,
    kind       TEXT NOT NULL CHECK (kind IN ('opened', 'closed', 'corrected')),
    round_id   TEXT NOT NULL,
    entered_on TEXT NOT NULL,
    digest     TEXT NOT NULL UNIQUE""",
    "rounds": """
    number    INTEGER PRIMARY KEY,
    round_id  TEXT NOT NULL UNIQUE,
    opened_on TEXT NOT NULL,
    list_hash TEXT NOT NULL UNIQUE,
    design    TEXT NOT NULL,
    settings  TEXT NOT NULL""",
    "picks": """
    round_id  TEXT NOT NULL REFERENCES rounds (round_id) DEFERRABLE INITIALLY DEFERRED,
    parcel_id TEXT NOT NULL,
    place     INTEGER NOT NULL,
    arm       TEXT NOT NULL CHECK (arm IN ('ranked', 'floor', 'audit')),
    area_id   TEXT,
    p_lead    REAL NOT NULL CHECK (p_lead BETWEEN 0 AND 1),
    p_return  REAL NOT NULL CHECK (p_return BETWEEN 0 AND 1),
    inclusion_probability REAL NOT NULL
        CHECK (inclusion_probability > 0 AND inclusion_probability <= 1),
    PRIMARY KEY (round_id, parcel_id)""",
    "forecasts": """
    round_id TEXT NOT NULL REFERENCES rounds (round_id) DEFERRABLE INITIALLY DEFERRED,
    part     TEXT NOT NULL,
    name     TEXT NOT NULL,
    kits     INTEGER NOT NULL,
    returned REAL NOT NULL,
    returned_low  REAL NOT NULL,
    returned_high REAL NOT NULL,
    found    REAL NOT NULL,
    found_low     REAL NOT NULL,
    found_high    REAL NOT NULL,
    PRIMARY KEY (round_id, part, name)""",
    "closings": """
    round_id  TEXT PRIMARY KEY REFERENCES rounds (round_id),
    closed_on TEXT NOT NULL""",
    "outcomes": f"""
    round_id   TEXT NOT NULL REFERENCES closings (round_id) DEFERRABLE INITIALLY DEFERRED,
    parcel_id  TEXT NOT NULL,{_RESULT},
    listed     INTEGER NOT NULL CHECK (listed IN (0, 1)),
    p_lead     REAL,
    p_return   REAL,
    PRIMARY KEY (round_id, parcel_id)""",
    "corrections": f"""
    number     INTEGER PRIMARY KEY,
    round_id   TEXT NOT NULL,
    parcel_id  TEXT NOT NULL,
    entered_on TEXT NOT NULL,{_RESULT},
    reason     TEXT NOT NULL CHECK (length(reason) > 0),
    FOREIGN KEY (round_id, parcel_id) REFERENCES outcomes (round_id, parcel_id)""",
}
"""Columns of each table of the ledger."""

_FROZEN_BY = {"picks": "rounds", "forecasts": "rounds", "outcomes": "closings"}
_OWN_KEY = {
    "entries": "number",
    "rounds": "number",
    "closings": "round_id",
    "corrections": "number",
}


def statements() -> list[str]:
    """Return the statements that make an empty ledger."""
    made = [f"CREATE TABLE {name} ({columns}\n)" for name, columns in TABLES.items()]
    for name in TABLES:
        made += [
            _refuse(name, action, "an entry of the ledger is never changed; enter a correction")
            for action in ("UPDATE", "DELETE")
        ]
    for name, owner in _FROZEN_BY.items():
        when = f"EXISTS (SELECT 1 FROM {owner} WHERE round_id = NEW.round_id)"
        made.append(_refuse(name, "INSERT", "this round is frozen", when))
    for name, key in _OWN_KEY.items():
        when = f"EXISTS (SELECT 1 FROM {name} WHERE {key} = NEW.{key})"
        made.append(_refuse(name, "INSERT", "this entry stands in the ledger already", when))
    return [*made, f"PRAGMA application_id = {APPLICATION_ID}"]


def _refuse(table: str, action: str, message: str, when: str = "1") -> str:
    return (
        f"CREATE TRIGGER {table}_{action.lower()} BEFORE {action} ON {table} WHEN {when} "
        f"BEGIN SELECT RAISE(ABORT, '{message}'); END"
    )
