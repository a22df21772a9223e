"""Comparing models on the same records: curve, number of flights, likelihood ratio, AIC."""
