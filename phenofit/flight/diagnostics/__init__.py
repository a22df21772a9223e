"""Does the model fit: residuals, influence of trap-years and years, out-of-season catches."""
