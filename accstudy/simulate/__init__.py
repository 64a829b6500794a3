"""Invented models, scanners and studies whose truth is known exactly."""
