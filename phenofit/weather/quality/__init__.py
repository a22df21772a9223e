"""Checks and filling of daily weather: ``checks``, ``fill``, and how wrong filled days are (``fill_error``)."""
