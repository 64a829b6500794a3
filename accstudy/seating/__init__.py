"""Poses and reference to the gaps that a rigid framework would show."""
