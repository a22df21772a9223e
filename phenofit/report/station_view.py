"""What the page says about the stations of sites and about flights that traps missed in part."""

from __future__ import annotations

from phenofit.analysis.record_checks import RecordChecks
from phenofit.flight import StationCheck, Unwatched
from phenofit.flight.diagnostics.watched import LEAST_SHARE
from phenofit.report.page_tables import PageTable
from phenofit.wording import number


def record_sentences(checks: RecordChecks) -> tuple[str, ...]:
    """Return the result of each check of the records."""
    watched = () if checks.unwatched is None else checks.unwatched.sentences()
    return watched if checks.stations is None else (*watched, checks.stations.sentence())


def record_tables(checks: RecordChecks) -> tuple[tuple[str, PageTable], ...]:
    """Return the tables behind the sentences, each with a title."""
    found = []
    if checks.stations is not None:
        found.append(("Sites and their stations", station_table(checks.stations)))
    if checks.unwatched is not None and checks.unwatched.sentences():
        found.append(("Trap-years that miss a part of a flight", unwatched_table(checks.unwatched)))
    return tuple(found)


def station_table(check: StationCheck) -> PageTable:
    """Return the sites with the distance and height of their stations, the largest shift first."""
    order = check.table["shift"].abs().sort_values(ascending=False, kind="stable").index
    rows = [
        (
            str(row["site"]),
            str(row["station"]),
            number(row["distance_km"], 0),
            _signed(row["height_difference_m"], 0),
            f"±{number(row['expected_sd'], 0)}",
            _signed(row["shift"], 0),
            number(row["error"], 0),
            _signed(row["shift_days"], 1),
            _signed(row["offset"], 1),
            "yes" if row["stands_out"] else "no",
        )
        for row in check.table.loc[order].to_dict("records")
    ]
    caption = (
        "Shift of each site against the mean of the sites, beside what distance and height of its station explain: "
        f"{check.rule.words}. The offset is how much warmer the station would have to be than the trap. Height: trap "
        "minus station."
    )
    head = (
        "site", "station", "distance [km]", "height [m]", "expected SD [°C-days]", "shift [°C-days]",
        "standard error [°C-days]", "shift [days]", "offset [°C]", "stands out",
    )  # fmt: skip
    return PageTable(caption, head, tuple(rows), (False, False, *(True,) * 7, False))


def unwatched_table(unwatched: Unwatched, *, most: int = 20) -> PageTable:
    """Return the trap-years that miss most of a flight."""
    table = unwatched.table
    table = table.assign(missed=table[["before", "after"]].max(axis=1)).sort_values(
        "missed", ascending=False, kind="stable"
    )
    missed = table[table["missed"] > LEAST_SHARE]
    rows = [
        (
            f"{row['trap']}, {row['season']}",
            str(row["flight"]),
            _percent(row["before"]),
            _percent(row["after"]),
        )
        for row in missed.head(most).to_dict("records")
    ]
    caption = (
        f"Share of a flight before the first and after the last watched moment: the {len(rows)} largest of "
        f"{len(missed)} above {100 * LEAST_SHARE:.0f} %."
    )
    head = ("trap-year", "flight", "before [%]", "after [%]")
    return PageTable(caption, head, tuple(rows), (False, True, True, True))


def _percent(value: float) -> str:
    return number(100.0 * value, 0)


def _signed(value: float, digits: int) -> str:
    text = number(value, digits)
    return f"+{text}" if text and float(text.replace("−", "-")) > 0 else text
