"""Length units of input files."""

__all__ = ["UNIT_MM"]

UNIT_MM = {"um": 0.001, "mm": 1.0, "cm": 10.0, "m": 1000.0, "inch": 25.4}
"""Length units in mm."""
