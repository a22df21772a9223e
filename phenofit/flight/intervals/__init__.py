"""Confidence intervals by profile likelihood.

In reading order: ``profile`` (one parameter), ``profile_jobs`` (all of them, here or on a cluster),
``reference_distribution`` (small-sample law of the likelihood ratio), ``curvature`` (covariance checked against profiles).
"""
