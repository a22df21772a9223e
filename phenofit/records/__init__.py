"""The records of one species: trap-years, weather, station links, season and biofix in one object; their picture."""

from phenofit.records.picture import plot_records, records_figure
from phenofit.records.records import Records

__all__ = ["Records", "plot_records", "records_figure"]
