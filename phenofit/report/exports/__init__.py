"""What can be exported from a study besides its page: tables for a thesis, and a summary for growers."""

from phenofit.report.exports.result_tables import TABLE_FORMS, ResultTable, result_table
from phenofit.report.exports.study_tables import study_tables, write_result_tables
from phenofit.report.exports.summary import write_summary

__all__ = [
    "TABLE_FORMS",
    "ResultTable",
    "result_table",
    "study_tables",
    "write_result_tables",
    "write_summary",
]
