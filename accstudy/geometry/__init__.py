"""Geometry on arrays: rigid motions, angles, least-squares elements."""
