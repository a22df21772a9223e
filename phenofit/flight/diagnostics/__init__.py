"""Does the model fit: residuals, influence of trap-years, out-of-season catches, stations, night weather, curve."""
