"""phenofit: calibrate moth-flight phenology from trap catches and daily temperatures."""
