"""Compiled kernels of the likelihood.

In reading order: ``arguments`` (what the kernels take, by name), ``curves`` (share of a flight flown by a heat sum),
``trap_year`` (probability of the counts of one trap-year), ``censored`` and ``presence`` (the same for other records),
``integrate`` (shifts and flight sizes integrated out), ``crossed`` (year and site shifts together). ``gamma`` and
``gamma_ratios`` are special functions.
"""
