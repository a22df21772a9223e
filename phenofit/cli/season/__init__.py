"""The commands about the present season and one place: forecast, local and page."""
