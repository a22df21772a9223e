"""The tables of a report as plain cells; the template decides how they look."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from phenofit.flight.result import FlightFit, flight_share
from phenofit.flight.result_text import decimals, in_days
from phenofit.forecasting.stage_windows import StageWindow
from phenofit.report.truth import true_values
from phenofit.report.words import interval, parameter_words, period, scheme_words, temperature, unit_words
from phenofit.traps.account import left_out_by_reason
from phenofit.units import convert_degree_days
from phenofit.wording import day, forecaster_words, number, start_words

_SOURCES = {0: "missing", 1: "observed", 2: "modelled", 3: "filled", 4: "forecast"}
Remarks = Mapping[tuple[str, int], str]
"""Sentences on a place and a flight."""
NO_REMARKS: Remarks = MappingProxyType({})


@dataclass(frozen=True)
class PageTable:
    """A table for the page."""

    caption: str  # What it shows, with units and terms.
    columns: tuple[str, ...]  # Headings.
    rows: tuple[tuple[str, ...], ...]  # Cells; the first of a row is its heading.
    numeric: tuple[bool, ...]  # Which columns hold numbers.


def estimates_table(fit: FlightFit, terms: str, truth: Mapping[str, Any] | None) -> PageTable:
    """Return the estimates with intervals, and the true values beside them where the data are invented."""
    level = f"{100 * fit.settings.level:g} % interval"
    known = true_values(fit, truth) if truth is not None else {}
    rows = []
    for row in sorted(fit.estimates.to_dict("records"), key=_position):
        flight = None if pd.isna(row["flight"]) else int(row["flight"])
        unit = unit_words(str(row["unit"])) + in_days(row["days"])
        shown = decimals(row["estimate"], row["low"], row["high"])
        digits = _digits(str(row["parameter"]), float(row["estimate"])) if shown is None else shown
        span = "held" if row["note"] == "held" else interval(row["low"], row["high"], "", digits)
        cells = [
            parameter_words(str(row["parameter"]), flight, fit.settings.flights, fit.settings.records),
            number(row["estimate"], digits),
            span,
            unit,
        ]
        if truth is not None:
            cells += _truth_cells(known.get((str(row["parameter"]), flight)), row, digits)
        rows.append(tuple(cells))
    columns = ["quantity", "estimate", level, "unit"]
    if truth is not None:
        columns += ["true value (invented)", "inside the interval"]
    return PageTable(
        f"Estimates with {level}s by profile likelihood; heat: {terms}.",
        tuple(columns),
        tuple(rows),
        (False, True, True, False, True, False)[: len(columns)],
    )


# The order on the page; effects of covariates come last.
_ORDER = (
    "base", "upper", "requirement", "spread", "concentration", "shift_sd_year", "shift_sd_site", "shift_sd", "size",
    "size_sd", "abundance", "abundance_sd", "stray_share", "night_effect",
)  # fmt: skip


def _position(row: Mapping[Any, Any]) -> int:
    name = str(row["parameter"])
    return _ORDER.index(name) if name in _ORDER else len(_ORDER)


def _digits(parameter: str, value: float) -> int:
    """Return the decimals of a value without an interval."""
    if parameter in ("base", "upper", "size", "size_sd", "abundance_sd"):
        return 2
    if parameter == "stray_share":
        return 4
    if parameter == "night_effect":
        return 3
    return 0 if abs(value) >= 100 else 1


def _truth_cells(value: float | None, row: Mapping[Any, Any], digits: int) -> list[str]:
    if value is None:
        return ["", ""]
    if row["note"] == "held":
        return [number(value, digits), ""]
    low, high = row["low"], row["high"]
    inside = (pd.isna(low) or low <= value) and (pd.isna(high) or value <= high)
    return [number(value, digits), "yes" if inside else "no"]


def thresholds_page_table(thresholds: pd.DataFrame) -> PageTable:
    """Return fitted and published thresholds, a row each, in both units, every term in its own column."""
    rows = []
    for row in thresholds.to_dict("records"):
        low, high = (_converted(row[name], row["unit"], "degC d") for name in ("amount_low", "amount_high"))
        event = _share(str(row["event"])) or str(row["event"]).replace("_", " ")
        flight = "" if pd.isna(row["flight"]) or not int(row["flight"]) else f"{int(row['flight'])}"
        span = interval(low, high, "", 0) if np.isfinite([low, high]).any() else ""
        rows.append(
            (
                "fitted" if row["kind"] == "fitted" else f"published {_text(row['id'])}".strip(),
                flight,
                event,
                number(_converted(row["amount"], row["unit"], "degC d"), 0),
                span,
                number(_converted(row["amount"], row["unit"], "degF d"), 0),
                _base_words(row),
                _method(row),
                _start(row["start"]),
                "this study" if row["kind"] == "fitted" else _text(row["verdict"]) or _text(row["source"]),
            )
        )
    return PageTable(
        "Thresholds fitted here and published ones: heat sum at which a share of the flight has flown. A sum holds "
        "only with its base, method and start.",
        (
            "threshold", "flight", "event", "°C-days", "interval [°C-days]", "°F-days", "base", "method", "start",
            "verdict or source",
        ),
        tuple(rows),
        (False, False, False, True, True, True, False, False, False, False),
    )  # fmt: skip


def _converted(value: Any, unit: Any, to: str) -> float:
    if pd.isna(value) or pd.isna(unit) or not unit:
        return float("nan")
    return float(convert_degree_days(float(value), str(unit), to))


def _base_words(row: Mapping[Any, Any]) -> str:
    # The table gives bases in degC, whatever the source printed.
    return "not stated" if pd.isna(row["base"]) else temperature(float(row["base"]), _base_decimals(row))


def _base_decimals(row: Mapping[Any, Any]) -> int:
    if row["kind"] != "fitted":
        return 1
    low, high = (None if pd.isna(row[name]) else float(row[name]) for name in ("base_low", "base_high"))
    found = decimals(float(row["base"]), low, high)
    return 2 if found is None else found


def _method(row: Mapping[Any, Any]) -> str:
    text = _text(row["method"]) or "not stated"
    if pd.isna(row["upper"]):
        return text
    return f"{text}, upper {number(row['upper'])} °C {_text(row['cutoff'])}".strip()


def _start(value: Any) -> str:
    text = _text(value)
    return start_words(text) if text else "not stated"


def _whole(value: Any) -> str:
    return "" if pd.isna(value) else str(int(value))


def _text(value: Any) -> str:
    return "" if value is None or pd.isna(value) else str(value)


_FAILED_WORDS = (
    " A forecast failed if its date is not in the season, or if its 95 % interval has no end or "
    "spans the season; such an interval covers nothing."
)


def errors_table(scores: pd.DataFrame, *, event: str, scheme: str, level: int = 95) -> PageTable:
    """Return the forecast error of each forecaster, weather known, best first within a flight."""
    rows = scores[(scores["event"] == event) & (scores["scheme"] == scheme) & scores["lead_days"].isna()]
    rows = rows.sort_values(["flight", "mae_days", "forecaster"], kind="stable")
    several = rows["flight"].nunique() > 1
    cells = []
    for row in rows.to_dict("records"):
        name = forecaster_words(str(row["forecaster"]))
        covered = row["coverage95"]
        cells.append(
            (
                f"flight {row['flight']}: {name}" if several else name,
                f"{row['forecasts']} in {row['years']} seasons"
                + (f"; {row['failed']} failed" if row["failed"] else ""),
                number(row["mae_days"]),
                interval(row["mae_low"], row["mae_high"], ""),
                _signed(row["bias_days"]),
                number(100 * row["inside_share"], 0),
                number(None if pd.isna(covered) else 100 * covered, 0),
                number(None if pd.isna(row["skill"]) else 100 * row["skill"], 0),
            )
        )
    return PageTable(
        f"Error of forecasts of dates for {_event_words(event)}, leaving out {scheme_words(scheme)[0]}, weather known. The "
        f"{level} % interval takes years as independent units."
        + (_FAILED_WORDS if rows["failed"].any() else ""),
        (
            "forecaster", "forecasts", "mean absolute error [days]", f"{level} % interval [days]",
            "mean error [days]", "inside the check interval [%]", "observed date in the 95 % interval [%]",
            "better than the mean calendar date by [%]",
        ),
        tuple(cells),
        (False, False, True, True, True, True, True, True),
    )  # fmt: skip


def _event_words(event: str) -> str:
    share = _share(event)
    return f"{share} of the flight" if share else event.replace("_", " ")


def _share(event: str) -> str:
    share = flight_share(event)
    return "" if share is None else f"{100.0 * share:g} %"


def _signed(value: float) -> str:
    text = number(value)
    if not text or float(text.replace("−", "-")) == 0.0:
        return text
    return f"{text.lstrip('−')} {'late' if value > 0 else 'early'}"


def forecast_tables(forecast: pd.DataFrame, remarks: Remarks = NO_REMARKS) -> tuple[PageTable, ...]:
    """Return the season's forecast, a table for each flight: a row for each place, a column for each event."""
    several = forecast["flight"].nunique() > 1
    return tuple(
        forecast_table(mine, remarks, named=several) for _, mine in forecast.groupby("flight", sort=True)
    )


def forecast_table(
    forecast: pd.DataFrame, remarks: Remarks = NO_REMARKS, *, named: bool = False
) -> PageTable:
    """Return the season's forecast, a row for each place, a column for each event: median and middle 80 %."""
    flights = sorted(forecast["flight"].unique())
    keys = [(flight, event) for flight in flights for event in forecast["event"].unique()]
    rows = []
    for (site, station), mine in forecast.groupby(["site", "station"], sort=True):
        said = [remarks.get((str(site), int(flight)), "") for flight in flights]
        cells = ["\n".join([f"{site} (station {station})", *filter(None, said)])]
        for flight, event in keys:
            found = mine[(mine["flight"] == flight) & (mine["event"] == event)]
            cells.append(_forecast_cell(found))
        rows.append(tuple(cells))
    named = named or len(flights) > 1 or int(flights[0]) > 1
    heads = [f"{f'flight {flight}, ' if named else ''}{_event_words(event)}" for flight, event in keys]
    season = str(forecast["season"].iloc[0])
    issued, known = day(forecast["issued"].iloc[0], year=True), day(forecast["known_until"].max(), year=True)
    fewest, most = int(forecast["past_seasons"].min()), int(forecast["past_seasons"].max())
    behind = f"{most}" if fewest == most else f"{fewest} to {most}"
    return PageTable(
        f"Dates expected in {season}, issued {issued}, weather known to {known}. The weather to come rests on {behind} past "
        "seasons at the same station; the fewer, the wider the dates. Median, and in brackets the dates between which the "
        "event falls with a chance of 80 %.",
        ("place", *heads),
        tuple(rows),
        (False, *(True for _ in heads)),
    )


def stages_tables(windows: Sequence[StageWindow]) -> tuple[PageTable, ...]:
    """Return the dates of the stages after the flight, a table for each flight; none without stages."""
    several = len({one.flight for one in windows}) > 1
    found = []
    for flight in sorted({one.flight for one in windows}):
        mine = [one for one in windows if one.flight == flight]
        lags = {one.lag.stage: one.lag.words for one in mine}
        cells = {
            (one.site, one.lag.stage): f"{day(one.dates.quantile(0.5)) or 'not this season'} "
            f"({period(*one.dates.interval(0.8))})"
            for one in mine
        }
        sites = sorted({one.site for one in mine})
        flown = f"flight {flight}" if several else "the flight"
        said = "; ".join(f"{stage}: {words}" for stage, words in lags.items())
        found.append(
            PageTable(
                f"Stages after {flown}: median, and in brackets the middle 80 %. The lags are those given, not "
                f"fitted: {said}. Stages follow all moths of the flight; the dates of the flight also allow for the few "
                "moths that a trap catches.",
                ("place", *lags),
                tuple((site, *(cells.get((site, stage), "") for stage in lags)) for site in sites),
                (False, *(True for _ in lags)),
            )
        )
    return tuple(found)


def _forecast_cell(found: pd.DataFrame) -> str:
    if found.empty:
        return "no forecast"
    row = found.iloc[0]
    middle = day(row["median"]) or "not this season"
    return f"{middle}\n({period(row['low80'], row['high80'])})"


def links_table(links: pd.DataFrame) -> PageTable:
    """Return which station each trap takes its weather from."""
    rows = tuple(
        (
            str(row["trap"]),
            str(row["station"]),
            number(row["distance_km"]),
            number(row["height_difference_m"], 0) or "unknown",
            str(row["how"]),
        )
        for row in links.to_dict("records")
    )
    return PageTable(
        "Weather station of each trap; height difference: the trap's height minus the station's.",
        ("trap", "station", "distance [km]", "height difference [m]", "how chosen"),
        rows,
        (False, False, True, True, False),
    )


def stations_table(weather: Any) -> PageTable:
    """Return what each station's days are made of."""
    source = weather["source"].transpose("station", "time").to_numpy()
    days = weather["time"].to_numpy().astype("datetime64[D]")
    shown = [code for code in _SOURCES if code in (0, 1) or (source == code).any()]
    rows = []
    for position, station in enumerate(weather["station"].to_numpy()):
        missing = days[source[position] == 0]
        span = f"{day(missing[0], year=True)} to {day(missing[-1], year=True)}" if missing.size else ""
        counts = [str(int((source[position] == code).sum())) for code in shown]
        rows.append((str(station), *counts, span))
    return PageTable(
        f"Days of each station by origin, {day(days[0], year=True)} to {day(days[-1], year=True)}.",
        ("station", *(f"{_SOURCES[code]} [days]" for code in shown), "missing between"),
        tuple(rows),
        (False, *(True for _ in shown), False),
    )


def left_out_tables(tables: Sequence[pd.DataFrame]) -> tuple[PageTable, PageTable] | None:
    """Return the records that were not used: summed by reason, and one by one; None where all were used."""
    columns = ["trap", "season", "reason", "rows", "moths"]
    filled = [table.reindex(columns=[*columns, "lines"]) for table in tables if len(table)]
    if not filled:
        return None
    every = pd.concat(filled, ignore_index=True)
    short = tuple(
        (str(row["reason"]), str(int(row["rows"])), _whole(row["moths"]), str(int(row["traps"])))
        for row in left_out_by_reason(filled).to_dict("records")
    )
    long = tuple(
        (str(row["trap"]), str(row["season"]), str(row["reason"]), str(int(row["rows"])), _text(row["lines"]))
        for row in every.to_dict("records")
    )
    heads = ("trap", "season", "reason", "checks", "lines of the catch table")
    summed = ("reason", "checks", "moths", "traps")
    return (
        PageTable("Checks left out, by reason.", summed, short, (False, True, True, True)),
        PageTable("Checks left out, one by one.", heads, long, (False, False, False, True, False)),
    )
