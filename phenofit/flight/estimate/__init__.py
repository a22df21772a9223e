"""From data to the maximum of the likelihood.

In reading order: ``enough_records``, ``setup`` (model and search box), ``starting_values``, ``maximise``, ``flat_spread``
(a spread without a slope), ``flight_order``, ``search`` (all of it together).
"""
