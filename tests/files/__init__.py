"""Files: workbooks, dates, wide tables."""
