"""Accuracy of multi-implant digital impressions from repeated scans of a reference model."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from accstudy.dictionary import read_results

__version__ = "0.1.0"
__all__ = ["__version__", "read_results"]


def __getattr__(name: str) -> Any:
    """Load what is asked for and nothing else, so that commands start at once."""
    if name == "read_results":
        from accstudy.dictionary import read_results

        return read_results
    raise AttributeError(f"module 'accstudy' has no attribute {name!r}")
