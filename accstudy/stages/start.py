"""Without a reference: bodies found in the first good scan of a model, and named."""

from __future__ import annotations

import io
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from accstudy.compare.arch import arch_of
from accstudy.errors import AccstudyError, Finding, Severity, StudyError, place
from accstudy.stages.measure import ROOMS, body_parts
from accstudy.stages.steps import Cache, ScanResult
from accstudy.study.checks import against_reference
from accstudy.study.disk import digest
from accstudy.study.implants import SKETCHED, with_angulation
from accstudy.study.load import Study
from accstudy.study.record import json_bytes, program_digest
from accstudy.tables import csv_bytes, read_csv, shape
from accstudy.words.catalogue import say

if TYPE_CHECKING:
    from accstudy.locate.unaided import FoundBodies

_LOOKED_AT = 4
_AT_MOST = 12


def started(study: Study, *, cache: Cache | None = None) -> Study:
    """Find out what every model looks like whose scans are meshes, unless there is a reference.

    `Study.implants` is completed by rows of one scan a model, in its own frame. They serve to find
    the implants in the other scans, and are no result. An error for every model in none of whose
    scans two bodies are found that another scan shows, too, or whose sketch does not fit them, and
    for datum implants that no model has.
    """
    if study.referenced:
        return study
    todo = list(_models(study))
    faults: list[Finding] = []
    parts, notes = [study.implants], list(study.findings)
    for model, rows in todo:
        key = _key(study, model, rows)
        known = cache.get({model: key}) if cache else {}
        try:
            result = known.get(model) or _first_good(study, model, rows)
        except StudyError as error:
            faults += error.findings
            continue
        if cache and model not in known:
            cache.put(key, result)
        parts.append(_implants(study, model, result.poses))
        notes += result.findings
    implants = pd.concat(parts, ignore_index=True) if todo else study.implants
    if todo and not faults:  # names of datum implants could not be held against anything so far
        faults += against_reference(study.scans, implants, study.settings)
    if faults:
        raise StudyError(faults)
    return replace(study, implants=implants, findings=tuple(notes))


def start_keys(study: Study) -> list[str]:
    """Names under which a cache keeps what `started` has still to find."""
    return [] if study.referenced else [_key(study, m, rows) for m, rows in _models(study)]


def _models(study: Study) -> Iterator[tuple[str, pd.DataFrame]]:
    """Models whose arrangement no positions show, with their usable mesh scans."""
    known = set(study.implants.loc[study.implants["x_mm"].notna(), "model"])
    meshes = study.usable[study.usable["file"] != ""]
    for model in dict.fromkeys(meshes["model"].astype(str)):
        if model not in known:
            yield model, meshes[meshes["model"] == model].head(_AT_MOST)


def _key(study: Study, model: str, rows: pd.DataFrame) -> str:
    sketch = study.sketch[study.sketch["model"] == model]
    return digest(
        json_bytes(
            {
                "program": program_digest(*ROOMS, "compare"),
                "files": [study.files.digest(f) for f in rows["file"]],
                "bodies": body_parts(study),
                "sketch": csv_bytes("sketch", sketch).decode(),
                "length unit": study.settings.scans.length_unit,
                "start": 1,
            }
        )
    )


def _first_good(study: Study, model: str, rows: pd.DataFrame) -> ScanResult:
    """Bodies of the first scan that shows as many as any other one looked at."""
    from accstudy.locate.drawing import scan_body_from_settings
    from accstudy.locate.unaided import find_bodies, seen_again
    from accstudy.mesh.read import study_mesh

    bodies = {n: scan_body_from_settings(n, b, study.files) for n, b in study.bodies.items()}
    unit = study.settings.scans.length_unit
    sketch = study.sketch[study.sketch["model"] == model].reset_index(drop=True)
    looked: list[tuple[str, FoundBodies]] = []
    for row in rows.to_dict("records"):
        try:
            mesh = study_mesh(study.files, str(row["file"]), length_unit=unit)
            found = find_bodies(mesh, bodies)
        except AccstudyError:
            continue  # measuring will name the scan's own fault
        if len(found.kinds) < 2:
            continue
        looked.append((str(row["scan"]), found))
        kept = [seen_again(f, [g for _, g in looked if g is not f]) for _, f in looked]
        whole = [len(k) for k, (_, f) in zip(kept, looked, strict=True)]
        agree = len(looked) > 1 and min(whole) == max(len(f.kinds) for _, f in looked)
        if agree or len(looked) == _LOOKED_AT:
            break
    if len(looked) < 2 or max(whole) < 2:
        raise StudyError([_nothing(model, rows, len(looked))])
    best = int(np.argmax(whole))  # the first of those that show most
    scan, found = looked[best]
    mine = found.of(kept[best])
    order, names, notes = _named(model, scan, mine, sketch, study)
    # a cache finds its tables by their scan: here a model takes its place
    named = csv_bytes("poses", _poses(model, model, mine.of(order), names))
    # as a file gives it back, so that nothing depends on whether it was kept
    return ScanResult(read_csv("poses", io.BytesIO(named)), tuple(notes))


def _nothing(model: str, rows: pd.DataFrame, n: int) -> Finding:
    looked = f"{n} of the first {len(rows)} scans show at least two scan bodies"
    return Finding(
        Severity.ERROR,
        "no-arrangement",
        say("findings.the_arrangement_of_implants", model=model, looked=looked),
        place("study.toml", column="scan_body"),
        say("findings.check_the_cad_geometry"),
    )


def _named(
    model: str, scan: str, found: FoundBodies, sketch: pd.DataFrame, study: Study
) -> tuple[list[int], list[str], list[Finding]]:
    """Order and names of the bodies: those of the sketch, or numbers along the arch."""
    from accstudy.locate.unaided import match_sketch

    n = len(found.kinds)
    said = f'model "{model}": {n} scan bodies were found in scan "{scan}" and in another scan'
    if len(sketch):
        match = match_sketch(found, sketch)
        where = place(study.settings.reference.sketch, int(sketch["row"].iloc[0]))
        if match.mirrored or not match.fits:
            raise StudyError([_misfit(model, scan, n, sketch, match.off_mm, match.mirrored, where)])
        names = [str(name) for name in sketch["implant"]]
        notes = [_learned(f"{said}, named by the sketch ({match.off_mm:.1f} mm off at most)")]
        if match.rival:
            notes.append(
                Finding(
                    Severity.WARNING,
                    "sketch-ambiguous",
                    say("findings.the_sketch_of_model", model=model),
                    where,
                    say("findings.give_the_positions_of"),
                )
            )
        return list(match.bodies), names, notes
    start = _poses(scan, model, found, [str(k) for k in range(n)])
    rows = shape("implants", start)
    arch = arch_of(rows.assign(angulation_deg=np.nan))
    order = [int(name) for name in arch.implants]
    if arch.outward_known and _clockwise(arch.positions_mm, arch.common_axis):
        order = order[::-1]
    names = [f"I{k + 1}" for k in range(n)]
    how = "numbered along the arch, counter-clockwise seen from above"
    if not arch.outward_known:
        how = "numbered along their row, from either end"
    return order, names, [_learned(f"{said}, {how}: {', '.join(names)}")]


def _clockwise(points: np.ndarray, up: np.ndarray) -> bool:
    """Whether the way along the arch turns clockwise for who looks down at the axes."""
    chord = points[-1] - points[0]
    bulge = (points[1:-1] - points[0]).sum(axis=0)
    return bool(np.cross(chord, bulge) @ up > 0)


def _learned(what: str) -> Finding:
    mend = say("findings.to_choose_the_names")
    return Finding(Severity.NOTE, "arrangement-learned", what, "", mend)


def _misfit(
    model: str, scan: str, n: int, sketch: pd.DataFrame, off_mm: float, mirrored: bool, where: str
) -> Finding:
    if mirrored:
        what = say("findings.the_sketch_of_model_2", model=model, scan=scan)
        return Finding(
            Severity.ERROR, "sketch-mirrored", what, where,
            say('findings.the_sketch_must_show'),
        )  # fmt: skip
    if n < len(sketch):
        what = say(
            "findings.the_sketch_of_model_3", model=model, sketch=len(sketch), n=n, scan=scan
        )
        mend = say("findings.remove_implants_without_a")
    else:
        what = say("findings.the_sketch_of_model_4", model=model, off_mm=off_mm, scan=scan)
        mend = say("findings.correct_the_positions_an")
    return Finding(Severity.ERROR, "sketch-differs", what, where, mend)


def _poses(scan: str, model: str, found: FoundBodies, names: list[str]) -> pd.DataFrame:
    """Named bodies as rows of table ``poses``; ``note`` is the kind of scan body."""
    frame = pd.DataFrame({"scan": scan, "model": model, "implant": names, "note": found.kinds})
    for pattern, values in (
        ("{}_mm", found.points_mm), ("axis_{}", found.axes), ("flat_{}", found.flats),
    ):  # fmt: skip
        for k, c in enumerate("xyz"):
            frame[pattern.format(c)] = values[:, k]
    return shape("poses", frame.assign(status="ok"))


def _implants(study: Study, model: str, poses: pd.DataFrame) -> pd.DataFrame:
    """The named bodies in the shape of table ``implants``."""
    rows = shape("implants", poses.assign(scan_body=poses["note"]))
    known = study.sketch[study.sketch["model"] == model].set_index("implant")
    for column in SKETCHED:
        if column in known and column != "scan_body":
            rows[column] = rows["implant"].map(known[column])
    rows = shape("implants", rows).assign(row=range(2, len(rows) + 2))
    return with_angulation(rows, None)
