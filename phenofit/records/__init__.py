"""The records of one species: trap-years, weather, station links, season and biofix in one object."""

from phenofit.records.records import Records

__all__ = ["Records"]
