"""Write the field page of a study: every species and place in one file that needs no network."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from phenofit.field.page_document import species_document
from phenofit.field.place_tables import species_tables
from phenofit.files import write_text
from phenofit.files.templates import render_template
from phenofit.forecasting.cautions import CAUTIONS
from phenofit.forecasting.distribution import read_day
from phenofit.forecasting.stage_windows import StageLag, lags_of

if TYPE_CHECKING:
    import numpy as np

    from phenofit.flight import FlightFit
    from phenofit.records import Records


def write_field_page(
    path: str | os.PathLike[str],
    species: Sequence[tuple[FlightFit, Records, pd.DataFrame]],
    *,
    today: str | np.datetime64,
    title: str = "",
    invented: bool = False,
    run: str = "",
    seed: int = 1,
    stages: Sequence[StageLag] = (),
) -> tuple[tuple[str, str], ...]:
    """Write one HTML file that an agent opens on a phone, without a network.

    Parameters
    ----------
    path : path-like
        The file.
    species : sequence of (FlightFit, Records, pandas.DataFrame)
        Fit, records (weather, links, sites) and validation table of each species; an empty table leaves the past errors
        out.
    today : str or numpy.datetime64
        Day of issue; the weather before it is used.
    title : str
        Title of the study.
    invented : bool
        Marks the page as made from invented data.
    run : str
        Identifier of the run.
    seed : int
        Seed of the draws behind the dates.
    stages : sequence of StageLag
        Stages after the flight, such as eggs and larvae, that are dated too.

    Returns
    -------
    tuple of (site, reason)
        Places without a forecast.

    Raises
    ------
    ModelError
        If `today` is no date or lies outside the season, or a fit cannot be used.
    DataError
        If no place can be forecast.
    OSError
        If the file cannot be written.

    Notes
    -----
    The page computes no heat and no flight: it looks up dates by the shift of a place, and the share of the flight on a
    grid of heat and shift, both computed here, and weighs them by the scouting dates that the user enters.
    """
    issued = read_day(today)
    tables = [
        species_tables(fit, records, issued=issued, lags=lags_of(stages, fit.settings.species), seed=seed)
        for fit, records, _ in species
    ]
    documents = [
        species_document(one, validation) for one, (_, _, validation) in zip(tables, species, strict=True)
    ]
    # "<" could end the script element that holds the data.
    data = json.dumps({"species": documents, "title": title}, ensure_ascii=False).replace("<", "\\u003c")
    page = render_template(
        "phenofit.field",
        "field.html",
        title=title,
        invented=invented,
        issued=str(issued),
        run=run,
        data=data,
        cautions=CAUTIONS,
    )
    write_text(Path(path), page)
    return tuple(pair for one in tables for pair in one.failed)
