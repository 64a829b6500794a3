"""Figures from finished tables: one function per figure, which computes nothing."""
