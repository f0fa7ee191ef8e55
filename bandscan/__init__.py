"""bandscan: where old lip seals have worn a shaft, from a photo beside a scale."""

__version__ = "0.1.0"
