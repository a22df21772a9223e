"""Published thresholds: ``threshold`` (one of them), ``published_table`` (many)."""
