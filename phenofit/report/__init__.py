"""The page of a study: one self-contained HTML file, its tables and its figures."""

from phenofit.report.page import render_report

__all__ = ["render_report"]
