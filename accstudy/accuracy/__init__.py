"""Trueness and precision (ISO 5725), outliers, uncertainty, tolerance and conformity."""
