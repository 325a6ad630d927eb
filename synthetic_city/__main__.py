"""Make an invented city and write its files: ``python -m synthetic_city --out DIR``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from synthetic_city.city import make_city
from synthetic_city.files import write_city
from synthetic_city.knobs import PRESETS


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; return its exit code."""
    parser = argparse.ArgumentParser(prog="python -m synthetic_city", description=__doc__)
    parser.add_argument("--parcels", type=int, default=20_000, help="number of parcels")
    parser.add_argument("--seed", type=int, default=7, help="the same seed gives the same city")
    parser.add_argument("--preset", choices=list(PRESETS), default="good_records")
    parser.add_argument("--out", required=True, help="folder to write to")
    options = parser.parse_args(arguments)
    try:
        city = make_city(options.parcels, options.seed, options.preset)
        settings = write_city(city, options.out)
    except (ValueError, OSError) as error:
        print(f"The city was not made: {error}", file=sys.stderr)
        return 1
    print(f"{city.name}, an invented city ({options.preset}, seed {options.seed})")
    for name in ("parcels", "areas", "lines", "checks", "kits", "samples", "answers", "sites"):
        print(f"  {name:8} {len(getattr(city, name)):>9,} rows")
    print(f"Settings: {settings}")
    print(f"What is truly in the ground: {settings.parent / 'truth'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
