"""Development rates from rearing at constant temperatures: ``regression`` and its ``figure``."""
