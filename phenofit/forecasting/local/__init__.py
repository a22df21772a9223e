"""The local check: scouting records of one place against the forecast of a fit."""
