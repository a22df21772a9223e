"""Further inference from a fit.

``joint_regions`` (base and requirement together; ``joint_search`` computes it), ``contrasts`` (do regions differ),
``catch_ratios`` (do kinds of trap differ in their catch), ``start_date`` (profile over the start of the sum).
"""
