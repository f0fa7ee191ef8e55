"""Stages of a measurement; none imports another, `bandscan.pipeline` knows the order."""
