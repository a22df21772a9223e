"""Further inference from a fit.

``joint_regions`` (base and requirement together), ``contrasts`` (do regions
differ), ``start_date`` (profile over the start of the sum).
"""
