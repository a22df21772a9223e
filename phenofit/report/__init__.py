"""What people read of a study: the page, the summary for growers, and tables for a thesis."""

from phenofit.report.exports import ResultTable, result_table, write_result_tables, write_summary
from phenofit.report.page import render_report

__all__ = ["ResultTable", "render_report", "result_table", "write_result_tables", "write_summary"]
