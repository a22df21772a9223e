"""Is a published threshold right here: ``refit_on_terms``, ``published_check``, ``verdict``."""
