"""Mixed-effects models with tests that maintain their nominal level.

Random intercepts, crossed or nested, fitted by profiled REML; tests by
Kenward-Roger or Satterthwaite, never by z; marginal means, contrasts, slopes and
equivalence; checks as tables; every result also in words.
"""

from accstudy.models.mixed import MixedFit, fit_mixed
from accstudy.models.results import ModelResults, model_tables
from accstudy.models.specs import ModelSpec, default_specs

__all__ = ["MixedFit", "ModelResults", "ModelSpec", "default_specs", "fit_mixed", "model_tables"]
