"""Kriging of site errors, its parameters by restricted likelihood, and its checks."""
