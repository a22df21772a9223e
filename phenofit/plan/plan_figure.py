"""The figure of a plan: widths and held-out error against years, a line for each kind of network."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import numpy as np

from phenofit.errors import ModelError
from phenofit.files.pictures import save_figure

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

# Distinguished by colour-blind readers and in print: hue, marker and line style change together.
_STYLES = (
    ("#0072b2", "o", "-"), ("#d55e00", "s", "--"), ("#009e73", "^", "-."), ("#cc79a7", "D", ":"),
    ("#e69f00", "v", "-"), ("#56b4e9", "P", "--"), ("#000000", "X", "-."),
)  # fmt: skip
_PANELS = (
    ("base_width_degC", "simulated_base_width_degC", "Interval of the base", "width [°C]"),
    (
        "requirement_width_degC_d",
        "simulated_requirement_width_degC_d",
        "Interval of the requirement",
        "width [°C-days]",
    ),
    ("held_out_error_days", "simulated_error_days", "Error of a new date", "mean absolute error [days]"),
)
_MOST_LINES = len(_STYLES)


def draw_plan(table: pd.DataFrame, *, flight: int = 1) -> Figure:
    """Draw a plan."""
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

    part = table[table["flight"] == flight]
    if part.empty:
        raise ModelError(f"the plan has no flight {flight}.")
    kinds = list(part.groupby(["sites", "checks_per_week", "moths_per_trap_year"], sort=True))
    if len(kinds) > _MOST_LINES:
        raise ModelError(
            f"{len(kinds)} kinds of network are too many lines for one figure; plan {_MOST_LINES} or fewer at a time."
        )
    figure = Figure(figsize=(11.0, 4.2), layout="constrained")
    axes = figure.subplots(1, 3)
    for axis, (column, drawn, title, label) in zip(axes, _PANELS, strict=True):
        for (key, rows), (colour, marker, line) in zip(kinds, _STYLES, strict=False):
            rows = rows.sort_values("years")
            checks = f"{key[1]:g} check{'' if key[1] == 1 else 's'} a week"
            words = f"{key[0]} sites, {checks}, {key[2]:g} moths"
            axis.plot(rows["years"], rows[column], color=colour, marker=marker, ls=line, label=words)
            if rows[drawn].notna().any():
                axis.plot(rows["years"], rows[drawn], color=colour, marker="x", ls="none", ms=9)
        if column == "held_out_error_days":
            least = float(part["least_error_days"].mean())
            axis.axhline(least, color="0.4", lw=1)
            axis.annotate(
                "base and requirement known",
                (0.98, least),
                xycoords=("axes fraction", "data"),
                xytext=(0, -3),
                textcoords="offset points",
                va="top",
                ha="right",
                fontsize=8,
                color="0.3",
            )
        axis.set_ylim(0.0, 1.12 * axis.get_ylim()[1])
        axis.set_title(title, fontsize=10)
        axis.set_xticks(np.unique(part["years"]))
        axis.set_xlabel("years")
        axis.set_ylabel(label)
    level = 100.0 * float(part["level"].iloc[0])
    mark = ", invented data" if table.attrs.get("invented") else ""
    figure.suptitle(
        f"Expected precision of a network, flight {flight} ({level:g} % intervals{mark})", fontsize=11
    )
    handles, labels = axes[0].get_legend_handles_labels()
    if part["simulated_networks"].max() > 0:
        handles.append(Line2D([], [], color="0.3", marker="x", ls="none", ms=9))
        labels.append("confirmed on simulated networks")
    figure.legend(handles, labels, loc="outside lower center", ncols=2, fontsize=8, frameon=False)
    return figure


def write_plan_figure(table: pd.DataFrame, path: str | os.PathLike[str], *, flight: int = 1) -> None:
    """Write the figure of a plan, whole or not at all."""
    save_figure(draw_plan(table, flight=flight), path, dpi=150)
