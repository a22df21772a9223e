"""Results as rounded tables with intervals and notes: for pandas, xarray, Markdown, LaTeX and CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from phenofit.errors import ModelError
from phenofit.flight.result import FlightFit
from phenofit.forecasting.season_forecast import SeasonForecast
from phenofit.report.page_tables import PageTable, errors_table, estimates_table, forecast_table
from phenofit.report.sentences import terms
from phenofit.report.words import interval
from phenofit.validate import PublishedComparison, score_forecasts
from phenofit.wording import number

if TYPE_CHECKING:
    import xarray as xr

_OPEN = "An end of an interval that the likelihood does not reach in the range searched is called open."
TABLE_FORMS = ("md", "tex", "csv")


@dataclass(frozen=True)
class ResultTable:
    """A rounded table of a result: cells as text, a caption with units and terms, and notes.

    Attributes
    ----------
    caption : str
        What the table shows.
    columns : tuple of str
        Headings, with units.
    rows : tuple of tuple of str
        Cells; the first of a row is its heading.
    notes : tuple of str
        What must be known to read it, one sentence each.
    """

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...] = ()

    @classmethod
    def of(cls, table: PageTable, notes: Sequence[str] = ()) -> ResultTable:
        """Return a table of the page with notes."""
        return cls(table.caption, table.columns, table.rows, tuple(note for note in notes if note))

    def to_pandas(self) -> pd.DataFrame:
        """Return the table; columns that hold numbers only are numbers, caption and notes are in ``attrs``."""
        frame = pd.DataFrame(self.rows, columns=list(self.columns))
        for name in frame.columns[1:]:
            cells = frame[name].str.replace("−", "-", regex=False)
            values = pd.to_numeric(cells.where(cells != "", "nan"), errors="coerce")
            if (values.notna() | (cells == "")).all() and values.notna().any():
                frame[name] = values
        frame.attrs = {"caption": self.caption, "notes": list(self.notes)}
        return frame.set_index(self.columns[0])

    def to_xarray(self) -> xr.Dataset:
        """Return the table as a data set with a variable for each column, caption and notes as attributes."""
        frame = self.to_pandas()
        found = frame.to_xarray()
        return found.assign_attrs(caption=self.caption, notes=" ".join(self.notes))

    def to_markdown(self) -> str:
        """Return a Markdown table (GitHub flavour) below its caption and above its notes."""
        lines = [
            f"**{_markdown(self.caption)}**",
            "",
            _pipes(self.columns),
            _pipes("---" for _ in self.columns),
        ]
        lines += [_pipes(map(_markdown, row)) for row in self.rows]
        lines += [line for note in self.notes for line in ("", _markdown(note))]
        return "\n".join(lines) + "\n"

    def to_latex(self) -> str:
        """Return a LaTeX table with the rules of the package booktabs; the notes stand below it."""
        frame = pd.DataFrame(self.rows, columns=list(self.columns))
        style = frame.style.hide(axis="index").format(escape="latex").format_index(escape="latex", axis=1)
        notes = "\n".join(rf"\par\footnotesize {_latex(note)}" for note in self.notes)
        text = style.to_latex(
            hrules=True,
            position="htbp",
            position_float="centering",
            column_format="l" * len(self.columns),
            caption=_latex(self.caption),
        )
        end = "\\end{table}\n"
        return _signs(text.removesuffix(end)) + _signs(f"{notes}\n" if notes else "") + end

    def to_csv(self) -> str:
        """Return the table as CSV, without its notes."""
        stream = io.StringIO()
        csv.writer(stream, lineterminator="\n").writerows([self.columns, *self.rows])
        return stream.getvalue()

    def _repr_markdown_(self) -> str:
        return self.to_markdown()


def result_table(
    result: FlightFit | SeasonForecast | PublishedComparison | Sequence[PublishedComparison] | pd.DataFrame,
    *,
    event: str = "flight_50",
) -> ResultTable:
    """Return a result as a rounded table with intervals and notes.

    Parameters
    ----------
    result : FlightFit, SeasonForecast, PublishedComparison, sequence of PublishedComparison, or pandas.DataFrame
        A fit (its estimates), a forecast (its dates), comparisons with published thresholds, or the table of
        ``cross_validate`` or ``score_forecasts`` (the errors of its first scheme).
    event : str
        Event whose errors are shown.

    Returns
    -------
    ResultTable
        With ``to_pandas``, ``to_xarray``, ``to_markdown``, ``to_latex`` and ``to_csv``.

    Raises
    ------
    ModelError
        If the result is none of these, or a table holds no forecast of the event.
    """
    if isinstance(result, FlightFit):
        return ResultTable.of(estimates_table(result, terms(result), None), fit_notes(result))
    if isinstance(result, SeasonForecast):
        return ResultTable.of(forecast_table(result.table()), result.problems)
    if isinstance(result, PublishedComparison):
        return comparison_table([result])
    if isinstance(result, pd.DataFrame):
        return _scores_table(result, event)
    if len(result) and all(isinstance(one, PublishedComparison) for one in result):
        return comparison_table(result)
    raise ModelError(
        "a table is made of a fit, a forecast, comparisons with published thresholds, or a validation table; "
        f"this is {type(result).__name__}."
    )


def fit_notes(fit: FlightFit) -> tuple[str, ...]:
    """Return the notes below the estimates of a fit."""
    size = f"{fit.caught_words} in {len(fit.data)} trap-years"
    how = f"{size}; curve: {fit.settings.curve}; intervals by profile likelihood, {100 * fit.settings.level:g} %."
    opened = any(one.note and "open" in str(one.note) for one in fit.estimates.itertuples())
    return (how, *([_OPEN] if opened else []), *fit.problems)


def comparison_table(comparisons: Sequence[PublishedComparison]) -> ResultTable:
    """Return what the catches say about each published threshold."""
    rows = tuple(
        (
            one.threshold.id,
            one.threshold.words,
            number(one.refit_amount, 0) if one.usable else "",
            interval(_end(one.refit_low), _end(one.refit_high), "", 0) if one.usable else "",
            number(one.p_value, 3) if one.usable else "",
            number(one.held_out_difference_days),
            one.verdict,
        )
        for one in comparisons
    )
    level = f"{100 * comparisons[0].level:g} % interval [°C-days]"
    table = PageTable(
        "Published thresholds tested on these catches.",
        ("threshold", "as printed", "refitted on its terms [°C-days]", level, "p (likelihood ratio)",
         "extra held-out error [days]", "verdict"),
        rows,
        (False, False, True, True, True, True, False),
    )  # fmt: skip
    notes = (
        "Refitted: base, method and start as published, the heat fitted here.",
        "p: the published pair of base and heat against both refitted.",
        "Extra held-out error: mean absolute error of the published threshold minus that of the fit.",
    )
    return ResultTable.of(table, notes)


def _scores_table(table: pd.DataFrame, event: str) -> ResultTable:
    if not {"scheme", "forecaster", "event"} <= set(table.columns):
        raise ModelError(
            "this table is neither a validation table nor scores: it lacks the column 'forecaster'."
        )
    scores = table if "mae_days" in table.columns else score_forecasts(table)
    mine = scores[scores["event"] == event]
    if mine.empty:
        held = ", ".join(map(str, scores["event"].unique()))
        raise ModelError(f"there is no forecast of '{event}' in this table; it holds {held}.")
    return ResultTable.of(errors_table(scores, event=event, scheme=str(mine["scheme"].iloc[0])))


def _end(value: float) -> float | None:
    return value if abs(value) < float("inf") else None


def _markdown(text: str) -> str:
    return text.replace("\\", "\\\\").replace("|", "\\|").replace("<", "&lt;")


def _pipes(cells: object) -> str:
    return f"| {' | '.join(cells)} |"  # type: ignore[arg-type]


_LATEX = {"\\": r"\textbackslash ", "&": r"\&", "%": r"\%", "$": r"\$", "#": r"\#", "_": r"\_", "{": r"\{",
          "}": r"\}", "~": r"\textasciitilde ", "^": r"\textasciicircum "}  # fmt: skip


def _latex(text: str) -> str:
    return "".join(_LATEX.get(c, c) for c in text)


def _signs(text: str) -> str:
    """Write the signs that not every font of LaTeX has as commands."""
    return (
        text.replace("−", "$-$")
        .replace("°", r"\textdegree{}")
        .replace("\u202f", r"\,")
        .replace("±", r"$\pm$")
    )
