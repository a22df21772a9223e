"""Is a published threshold right here: ``refit_on_terms``, ``distinguishable``, ``published_check``, ``verdict``."""
