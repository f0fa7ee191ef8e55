"""Lens and scale calibration; knows nothing of shafts, bands or drawing."""
