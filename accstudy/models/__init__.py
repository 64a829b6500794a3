"""Mixed-effects models with tests that maintain their nominal level.

Random intercepts, crossed or nested, fitted by profiled REML; tests by
Kenward-Roger or Satterthwaite, never by z; marginal means, contrasts, slopes and
equivalence; checks as tables; every result also in words.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from accstudy.models.mixed import MixedFit, fit_mixed
    from accstudy.models.results import ModelResults, model_tables
    from accstudy.models.specs import ModelSpec, default_specs

__all__ = ["MixedFit", "ModelResults", "ModelSpec", "default_specs", "fit_mixed", "model_tables"]

_MODULES = {
    **{"MixedFit": "mixed", "fit_mixed": "mixed", "ModelResults": "results"},
    **{"model_tables": "results", "ModelSpec": "specs", "default_specs": "specs"},
}


def __getattr__(name: str) -> Any:
    """Load what is asked for and nothing else: reports need no fits."""
    if name in _MODULES:
        return getattr(import_module(f"accstudy.models.{_MODULES[name]}"), name)
    raise AttributeError(f"module 'accstudy.models' has no attribute {name!r}")
