"""What the arrangement of a model's implants leaves open."""

from __future__ import annotations

import numpy as np

from accstudy.compare.arch import arch_of
from accstudy.errors import Finding, Severity
from accstudy.locate.arrangement import Lines, own_mirror_image
from accstudy.stages.references import references_with_scans
from accstudy.study.load import Study

__all__ = ["arch_findings"]


def arch_findings(study: Study) -> list[Finding]:
    """Warn once of every model whose order or handedness its positions do not tell.

    Parameters
    ----------
    study : Study
        The study.

    Returns
    -------
    list of Finding
        ``arch-order`` where several orders along the arch are as likely, and
        ``own-mirror-image`` where a mirrored scan would look like a right one.
    """
    found: dict[tuple[str, str], Finding] = {}
    meshes = set(study.scans.loc[study.scans["file"] != "", "scan"])
    for reference, scans in references_with_scans(study):
        model = str(reference["model"].iloc[0])
        ours = study.settings.reference
        file = ours.touch_points or ours.implants
        if not study.referenced:
            file = ours.sketch or "reference/sketch.csv"
        arch = arch_of(reference)
        if arch.rivals:
            found[model, "order"] = Finding(
                Severity.WARNING,
                "arch-order",
                f"the implants of model {model} may follow one another along the arch as "
                f"{_way(arch.implants)}, which is assumed, or as "
                f"{' or '.join(_way(way) for way in arch.rivals)}; arch lengths, steps and "
                "directions depend on it",
                file,
                "number the implants along the arch in column arch_order",
            )
        axes = reference[["axis_x", "axis_y", "axis_z"]].to_numpy(float)
        points = reference[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
        kinds = np.unique(reference["scan_body"].fillna("").astype(str), return_inverse=True)[1]
        lines = Lines(points, axes, kinds.reshape(-1))
        if meshes & set(scans) and len(points) > 2 and own_mirror_image(lines):
            found[model, "mirror"] = Finding(
                Severity.WARNING,
                "own-mirror-image",
                f"the implants of model {model} form their own mirror image: a scan mirrored on "
                "export cannot be distinguished from a correct one",
                file,
                "make sure that no scan is mirrored; in a new model, place one implant "
                "asymmetrically",
            )
    return list(found.values())


def _way(implants: tuple[str, ...]) -> str:
    return "-".join(implants)
