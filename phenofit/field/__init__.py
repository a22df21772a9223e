"""The field page: one file for a phone, with the dates of this season at every place and a check of scouting dates."""

from phenofit.field.field_page import write_field_page

__all__ = ["write_field_page"]
