"""Figures from finished tables: one function a figure, nothing computed on the way."""
