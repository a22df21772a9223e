"""Published thresholds: ``threshold`` (one of them), ``published_table`` (many), ``terms`` (fit options on its terms)."""
