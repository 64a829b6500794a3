"""Accuracy of multi-implant impressions from repeated scans of a reference model."""

__version__ = "0.1.0"
