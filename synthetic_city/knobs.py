"""Every knob of the invented city, with the source of its value or "our choice".

Sources are named in short in the comments:

- Goovaerts 2017: P. Goovaerts, inspected lines of Flint, PMC5558444.
- Smart 2023: Smart et al., Water Research, Bennington VT.
- Schock 2021: Schock et al., AWWA Water Science.
- Levallois 2014: Levallois et al., Montreal, PMC3929778.
- Pieper 2018: Pieper et al., Environmental Science & Technology, Flint.
- Huynh 2024: Huynh et al., JAMA Pediatrics, kits of Chicago.
- Jakositz 2020: crowd-sourced kits in New Hampshire.
- ban: 42 USC 300g-6(a)(1), pipe, solder and flux after 19 June 1986, enforceable 19 June 1988.

Nothing here describes a real city.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

Curve = tuple[tuple[float, float], ...]
"""Points (x, y) of a curve that is read by straight lines between them."""

Shares = tuple[float, ...]
"""Shares of a whole, in the order that the comment gives."""

Table = tuple[tuple[float, ...], ...]
"""Rows of numbers, in the order that the comment gives."""


@dataclass(frozen=True)
class Knobs:
    """All knobs; lengths [m], years [year], rates and shares 0-1, log effects [log-odds]."""

    # ---- ground ----------------------------------------------------------------------------
    crs: str = "EPSG:32616"  # UTM zone 16 north; our choice
    centre_x: float = 500_000.0  # open water of a great lake, 47.75 N 87 W: nobody's address;
    centre_y: float = 5_288_500.0  # our choice
    block_length: tuple[float, float] = (100.0, 220.0)  # our choice, common practice
    lot_depth: tuple[float, float] = (31.0, 42.0)  # our choice, common practice
    frontage_core: float = 10.5  # narrow old lots; our choice
    frontage_edge: float = 19.0  # wide new lots; our choice
    street_width: float = 17.0  # our choice, common practice
    park_share: float = 0.035  # blocks without homes; our choice
    grid_shift: float = 0.28  # chance that the next row of blocks shifts its streets; our choice
    jog_share: float = 0.10  # side lines with a jog, so lots of eight and more corners; our choice

    # ---- development -----------------------------------------------------------------------
    tract: float = 420.0  # homes of one builder, spacing; our choice
    # share of today's homes built before the year; our choice, with the burst of wartime housing
    # that Goovaerts 2017 saw in inspected lines
    growth: Curve = (
        (0.0, 1884.0),
        (0.05, 1900.0),
        (0.13, 1915.0),
        (0.27, 1930.0),
        (0.32, 1940.5),
        (0.39, 1945.5),
        (0.62, 1960.0),
        (0.80, 1975.0),
        (0.92, 2000.0),
        (1.0, 2022.0),
    )
    year_spread: float = 2.5  # homes about their tract's year, sd; our choice
    year_spread_war: float = 0.9  # wartime tracts went up at once; our choice
    main_renewed: float = 0.22  # stretches before 1955 whose main was laid anew; our choice
    infill_share: float = 0.09  # built later than the tract; our choice
    infill_reuses_line: float = 0.5  # new house on the old line: building year is not line year
    year_missing: float = 0.06  # our choice
    year_rounded_old: float = 0.28  # of homes before 1940, to 5 or 10 years; our choice
    year_rounded_new: float = 0.04  # our choice
    main_year_missing: float = 0.10  # our choice
    diameter_missing: float = 0.12  # our choice
    owner_missing: float = 0.06  # our choice

    # ---- buildings and people --------------------------------------------------------------------
    parcels_per_area: int = 1600  # size of a planning area; our choice
    # weights of single family, two family, multi family, commercial, vacant; our choice
    uses_core: Shares = (0.62, 0.22, 0.12, 0.08, 0.02)
    uses_edge: Shares = (0.92, 0.06, 0.03, 0.03, 0.02)
    vacant_income: float = -0.012  # more vacant lots where income is low, a sd; our choice
    units_stop: float = 0.18  # multi family: 3 dwellings and on, geometric; our choice
    big_units: int = 8  # dwellings from which the line has two inches and more; our choice
    big_commercial: float = 0.5  # commercial lots with such a line; our choice
    owner_two_family: float = 0.45  # owner lives there; our choice
    owner_other: float = 0.04  # our choice
    owner_single: float = 0.75  # share of renters of an area that rent a single home; our choice
    income_middle: float = 54_000.0  # median income of the middle area [currency]; our choice
    income_spread: float = 0.33  # sd of its log between areas; our choice
    income_age: float = 0.5  # newer areas are richer, weight; our choice
    income_place: float = 0.5  # smooth over the city, weight; our choice
    income_own: float = 0.6  # an area's own luck, weight; our choice
    renters: tuple[float, float] = (0.42, -0.15)  # share at middle income, for a sd; our choice
    household: tuple[float, float] = (2.2, 2.9)  # people to a parcel; our choice
    children: tuple[float, float] = (0.075, -0.008)  # share under six, for a sd; our choice
    value_middle: float = 190_000.0  # assessed value [currency]; our choice
    value_missing: float = 0.02  # our choice

    # ---- pipes -----------------------------------------------------------------------------
    # utility side lead by year of the line at an average contract; shape: peak of the war years
    # and galvanized before 1934, Goovaerts 2017; end with the ban; heights our choice
    lead_curve: Curve = (
        (1870.0, 0.50),
        (1895.0, 0.70),
        (1912.0, 0.66),
        (1919.0, 0.48),
        (1926.0, 0.18),
        (1933.0, 0.05),
        (1938.0, 0.06),
        (1941.0, 0.45),
        (1943.5, 0.90),
        (1946.0, 0.70),
        (1949.0, 0.22),
        (1953.0, 0.06),
        (1960.0, 0.015),
        (1968.0, 0.005),
        (1988.0, 0.001),
        (2030.0, 0.0004),
    )
    # shares of galvanized, copper, plastic, iron among other lines by year, utility's side; our
    # choice, with galvanized before 1934 as Goovaerts 2017 found
    other_utility: Table = (
        (1880, 0.55, 0.05, 0.00, 0.40),
        (1920, 0.60, 0.20, 0.00, 0.20),
        (1935, 0.35, 0.55, 0.00, 0.10),
        (1950, 0.10, 0.85, 0.00, 0.05),
        (1975, 0.02, 0.88, 0.07, 0.03),
        (1995, 0.00, 0.70, 0.28, 0.02),
        (2025, 0.00, 0.45, 0.53, 0.02),
    )
    other_customer: Table = (  # the same, customer's side
        (1880, 0.85, 0.10, 0.00, 0.05),
        (1920, 0.75, 0.22, 0.00, 0.03),
        (1935, 0.40, 0.59, 0.00, 0.01),
        (1950, 0.10, 0.90, 0.00, 0.00),
        (1975, 0.02, 0.88, 0.10, 0.00),
        (1995, 0.00, 0.68, 0.32, 0.00),
        (2025, 0.00, 0.40, 0.60, 0.00),
    )
    contract_spacing: float = 420.0  # main contracts of 200 to 500 m; our choice
    contract_sd: float = 1.3  # sd of a contract's effect [log-odds]; our choice
    big_line_effect: float = -4.0  # lead is rare at two inches and more, JAWWA January 2022
    customer_lead_if_lead: float = 0.80  # customer side lead behind a lead utility side; our choice
    customer_lead_if_not: float = 0.04  # before 1945; our choice
    # how that fades with the year of the line, gone with the ban; our choice
    customer_lead_fades: Curve = ((1945.0, 1.0), (1960.0, 0.2), (1986.0, 0.004))
    customer_lead_big: float = 0.15  # factor on lead for lines of two inches and more; our choice
    renewed_with_main: tuple[float, float] = (0.26, 0.18)  # utility side only, both; our choice
    renewed_old: float = 0.06  # whole line renewed, lines before 1960; our choice
    renewed_customer: float = 0.07  # customer side only, lines before 1960; our choice
    renewed_income: float = 0.5  # log effect of one sd of area income on the last; our choice
    renewed_material: tuple[float, float] = (0.7, 0.3)  # copper, plastic; our choice

    # ---- city record -----------------------------------------------------------------------
    record_blank: float = 0.435  # both sides blank; with one-sided cards about 45 % unknown
    record_blank_spread: float = 0.6  # sd between areas [log-odds]; our choice
    record_blank_old: float = 0.5  # older lines are blank more often [log-odds]; our choice
    record_one_side: tuple[float, float] = (0.055, 0.025)  # utility only, customer only; our choice
    record_false_lead: float = 0.11  # says lead, is not (over-report: Goovaerts 2017, Smart 2023)
    record_missed_lead: float = 0.10  # says not lead, is (right for 90 % of lead: Smart 2023)
    record_spread: float = 0.6  # sd of the log of both between areas; our choice
    record_stale: float = 0.32  # says lead after a renewal that nobody wrote down; our choice
    record_by_year: Curve = ((1930.0, 1.25), (1965.0, 0.55), (1990.0, 0.12))  # factor; our choice
    record_income: float = -0.45  # poorer areas have worse cards, for a sd; our choice
    false_lead_card: Shares = (0.6, 0.3, 0.1)  # says lead: both, utility, customer; our choice
    # says of a lead line: copper both, copper and galvanized, galvanized both; our choice
    missed_lead_card: Shares = (0.7, 0.2, 0.1)
    connector_recorded: float = 0.3  # of cards that say anything; our choice
    connector_lead: float = 0.6  # of those that name a lead utility side; our choice
    never_below_lead: float = 0.15  # galvanized cards that say so; our choice
    card_dated: float = 0.5  # copies the assessor's year; our choice
    card_basis: Shares = (0.5, 0.2, 0.2, 0.1)  # tap card, permit, plan, crew note; our choice

    # ---- field checks ----------------------------------------------------------------------
    checks_random: float = 0.005  # share of homes: 100 of 20,000
    checks_main_work: float = 0.025  # share of homes; all kinds together 3.5 %
    checks_request: float = 0.0025  # our choice
    checks_suspected: float = 0.0025  # our choice
    check_error: float = 0.005  # a look names the wrong material; our choice
    check_one_side: float = 0.15  # looks that see one side only; our choice
    main_work_seen: float = 0.7  # homes along a dug street that are looked at; our choice
    main_work_old: float = 28.0  # dug e times as often for so many years of age; our choice
    suspected_card: float = 6.0  # factor where the card says lead; our choice
    suspected_seen: float = 5.0  # factor where the customer's side is lead; our choice

    # ---- kits ------------------------------------------------------------------------------
    kits_asked: float = 0.10  # homes that asked for a kit in two years, under 10 %: Huynh 2024
    kits_mailed: float = 0.035  # homes mailed a kit unasked; our choice
    kits_control: float = 0.15  # checked homes mailed one, for local control homes (Schock 2021)
    ask_income: float = 0.45  # who asks: richer, owners (volunteers are not the exposed,
    ask_owner: float = 0.8  # Huynh 2024); sizes our choice
    ask_old: float = 0.3  # homes before 1960 ask more; our choice
    return_asked: float = 0.57  # comes back, asked: 20 to 65 %, common practice
    return_cold: float = 0.36  # comes back, unasked: 18 % (Jakositz 2020) to 65 %
    return_owner: float = 0.5  # our choice
    return_income: float = 0.3  # our choice
    return_area_sd: float = 0.25  # our choice
    retest_high: float = 0.35  # kits after 5 ug/L or more; high homes re-test more,
    retest_low: float = 0.05  # Goovaerts 2017; sizes our choice
    mailings: tuple[int, ...] = (120, 300, 470, 600)  # days of unasked mailings; our choice
    fill_days: tuple[float, float] = (1.6, 8.0)  # days to fill, gamma shape and scale; our choice
    stagnation: tuple[float, float] = (8.6, 1.4)  # a night [h], mean and sd; our choice
    stagnation_short: float = 0.07  # under 6 h; our choice
    stagnation_long: float = 0.03  # over 18 h; our choice
    flush_min: Shares = (0.5, 1.0, 2.0, 3.0, 5.0, 10.0)  # minutes run; 2 are asked for; our choice
    flush_share: Shares = (0.03, 0.10, 0.66, 0.12, 0.08, 0.01)  # shares of these; our choice
    filter_on: float = 0.05  # bottles filled through a filter; our choice
    filter_told: tuple[float, float, float] = (0.55, 0.20, 0.25)  # yes, no, does not know
    filter_told_off: tuple[float, float, float] = (0.01, 0.90, 0.09)  # where there is none
    unsigned: float = 0.03  # our choice; 97 % of returned kits were valid in Flint 2015
    bottle_missing: float = 0.02  # our choice
    dates_wrong: float = 0.012  # our choice
    bottles_swapped: float = 0.012  # filled or labelled the wrong way round; our choice
    swap_noted: tuple[float, float] = (0.3, 0.002)  # somebody notes it: swapped, not; our choice
    report_days: tuple[int, int] = (4, 30)  # from box received to result sent; our choice

    # ---- form ------------------------------------------------------------------------------
    form_missing: float = 0.04  # our choice
    dont_know_owner: float = 0.32  # our choice
    dont_know_renter: float = 0.52  # our choice
    answer_repeats_record: float = 0.0  # owner repeats the card: witnesses err together; our choice
    # told lead, galvanized, copper, plastic; rows by material at the entry; our choice
    entry_told: Table = (
        (0.62, 0.20, 0.13, 0.05),
        (0.14, 0.61, 0.20, 0.05),
        (0.03, 0.05, 0.87, 0.05),
        (0.01, 0.02, 0.14, 0.83),
        (0.10, 0.60, 0.25, 0.05),
    )
    renewed_told: tuple[float, float, float] = (0.45, 0.10, 0.45)  # yes, no, does not know: renewed
    renewed_told_not: tuple[float, float, float] = (0.04, 0.44, 0.52)  # the same, not renewed

    # told lead, galvanized, copper, plastic inside the house; rows by era of plumbing; our choice
    inside_told: Table = (
        (0.05, 0.50, 0.40, 0.05),
        (0.01, 0.20, 0.72, 0.07),
        (0.00, 0.02, 0.80, 0.18),
        (0.00, 0.00, 0.50, 0.50),
    )
    inside_dont_know: float = 0.25  # our choice
    built_not_said: float = 0.35  # our choice
    built_rounded: float = 0.4  # said to ten years; our choice
    built_error: float = 6.0  # sd of every second answer [year]; our choice

    # ---- water (geometric means in ug/L before corrosion control) ------------------------------
    # plumbing before 1930, 1930-1981, 1982-1987 (newest solder leaches most), from 1988; 1-1.5 by
    # judgement on Levallois 2014 and Pieper 2018
    premise_first: tuple[float, float, float, float] = (1.0, 1.1, 1.9, 0.45)
    # what the line adds: none, galvanized, part lead, whole lead; by judgement on the same
    line_first: tuple[float, float, float, float] = (0.0, 0.7, 1.6, 2.5)
    # whole lead: 73 % found at 95 % specificity, Smart 2023
    line_flushed: tuple[float, float, float, float] = (0.0, 0.35, 2.0, 3.8)
    main_flushed: float = 0.38  # homes without lead: 0.3-0.5 by judgement on Levallois 2014
    home_sd: float = 0.80  # between homes, log; with the next GSD 3: Levallois 2014 2.8-4.4
    bottle_sd: float = 0.69  # within a home, log: GSD 2, published 1.7-2.3
    spike_share: float = 0.015  # particles; 1-2 % by judgement
    spike_factor: float = 10.0  # by judgement
    filter_factor: float = 0.08  # our choice
    line_control: float = 1.0  # corrosion control, factor on what the line gives
    premise_control: float = 1.0  # the same on the plumbing
    stagnation_power: float = 0.35  # first bottle ~ (h / 8)^power; our choice
    flush_decay: float = 0.06  # flushed bottle falls with each minute beyond 2, log; our choice
    copper_first: float = 160.0  # our choice
    copper_flushed: float = 60.0  # our choice
    copper_sd: float = 0.9  # log; our choice

    # ---- laboratory ------------------------------------------------------------------------
    copper_limit: float = 20.0  # detection limit of copper [ug/L]; our choice
    # how a batch prints below the limit: <1, <1.0, space and <1.0, ND; our choice
    print_manner: Shares = (0.6, 0.25, 0.1, 0.05)
    limit_two: float = 0.3  # batches with a detection limit of 2 ug/L, else 1 ug/L; our choice
    batch_mg: float = 0.12  # batches printed in mg/L; our choice
    batch_ppb: float = 0.05  # batches whose unit says ppb; our choice
    misprint: float = 0.002  # results that nobody can read; our choice

    # ---- dates -----------------------------------------------------------------------------
    first_day: str = "2024-11-01"  # our choice
    last_day: str = "2026-10-15"  # our choice; what is on the way that day has not come back


_GOOD = Knobs()

PRESETS: dict[str, Knobs] = {
    "good_records": _GOOD,
    "poor_records": replace(
        _GOOD,
        record_blank=0.55,
        record_blank_spread=0.9,
        record_false_lead=0.26,
        record_missed_lead=0.22,
        record_spread=0.7,
        record_stale=0.45,
    ),
    "corrosion_control": replace(
        _GOOD,
        # flushed bottles find 60 % of lead lines under good control, Schock 2021
        line_control=0.45,
        premise_control=0.65,
    ),
}
"""Three kinds of city. ``good_records``: 45 % of records unknown, few wrong. ``poor_records``:
55 % unknown and more, wrong often and unevenly. ``corrosion_control``: as the first, but the
water hides the line."""


def preset_knobs(preset: str, **changes: Any) -> Knobs:
    """Return the knobs of a preset, with changes.

    Parameters
    ----------
    preset : {"good_records", "poor_records", "corrosion_control"}
    **changes
        Knobs to set by name.

    Raises
    ------
    ValueError
        If there is no such preset or knob.

    Examples
    --------
    >>> preset_knobs("good_records", kits_asked=0.2).kits_asked
    0.2
    """
    if preset not in PRESETS:
        raise ValueError(f"no preset is named {preset!r}; there are {', '.join(PRESETS)}")
    wrong = [name for name in changes if name not in Knobs.__dataclass_fields__]
    if wrong:
        raise ValueError(
            f"no knob is named {', '.join(map(repr, wrong))}; see synthetic_city.Knobs"
        )
    return replace(PRESETS[preset], **changes)
