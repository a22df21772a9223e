"""The likelihood as one function of a parameter vector.

In reading order: ``record_forms`` (what of a check enters), ``flight_data`` (trap-years and weather as flat arrays),
``night_weather``, ``covariates``, ``rearing_term``, ``parameters`` (one table of names, scales, units and bounds),
``quadrature`` (nodes of the integrals), ``reference_heat`` and ``coordinates`` (coordinates of a search),
``log_likelihood``. ``subset`` takes some trap-years out; ``heat_at_times`` sums heat up to given times.
"""
