"""Compiled heat kernels: one day (``daily_kernels``), running sums, float32 grids (``fast_sine``)."""
