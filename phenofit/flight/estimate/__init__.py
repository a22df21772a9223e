"""From data to the maximum of the likelihood.

In reading order: ``enough_records``, ``setup`` (model and search box), ``starting_values``, ``maximise``, ``flat_spread``
(SDs and concentrations near a bound), ``collapse`` (flights that have collapsed), ``search`` (all of it together).
"""
