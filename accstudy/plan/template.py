"""The files of a new study: study.toml with every line explained, and what to do next."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable

from accstudy.errors import InputError
from accstudy.models.specs import default_specs
from accstudy.plan.protocol import Protocol
from accstudy.plan.readme import QUESTIONS
from accstudy.quantities import BENCH_COLUMNS
from accstudy.tables import TABLES

__all__ = ["events_text", "implants_text", "scan_columns", "study_text"]

_COMMENT_AT = 44


def study_text(protocol: Protocol, *, title: str = "", referenced: bool = True) -> str:
    """Write study.toml for a protocol, with a word on every line.

    Parameters
    ----------
    protocol : Protocol
        Whose values are filled in.
    title : str, optional
        Title of the study; the protocol's by default.
    referenced : bool
        Whether the model is measured, so that there is a reference.

    Returns
    -------
    str
        TOML. What only the user knows is left out and stands as a comment.

    Raises
    ------
    InputError
        If the title is longer than 200 characters or holds a control character.
    """
    title = title.strip() or protocol.title
    if len(title) > 200 or not title.isprintable():
        raise InputError("the title must be one line of 200 characters at most")
    parts = [
        _head(protocol, protocol.question if referenced else QUESTIONS[protocol.kind]),
        _study(protocol, title),
        _REFERENCE if referenced else _NO_REFERENCE,
        _SCANS,
        _SCAN_BODY,
        _analysis(protocol),
        _limits(protocol) if referenced else _CONFIDENCE,
        *(_OF_KIND[kind](protocol) for kind in (protocol.kind,)),
        _EXCLUSIONS,
    ]
    return "\n".join(parts)


def _line(code: str, comment: str) -> str:
    if len(code) >= _COMMENT_AT:
        return f"# {comment}:\n{code}"
    return f"{code:<{_COMMENT_AT}}# {comment}"


def _string(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _list(values: tuple[str, ...]) -> str:
    return "[" + ", ".join(_string(v) for v in values) + "]"


def _head(protocol: Protocol, asked: str) -> str:
    question = textwrap.wrap(asked, 88)
    lines = [
        *question,
        f"Filled in from protocol {protocol.name}, version {protocol.version}. All values may be "
        "changed.",
        'Lines that begin with "# " and contain "=" are for you to fill in: remove the "# ".',
        "`accstudy check .` lists what is missing; for a misspelt key it names the nearest one.",
    ]
    return "\n".join(f"# {line}" for line in lines) + "\n"


def _study(protocol: Protocol, title: str) -> str:
    lines = [
        "[study]",
        _line(f"title = {_string(title)}", "printed on the first page of the report"),
        _line(f"kind = {_string(protocol.kind)}", "validation, comparison or drift"),
        _line(f"protocol = {_string(protocol.name)}", "source of these values"),
    ]
    return "\n".join(lines) + "\n"


def _section(name: str, text: str, rows: tuple[tuple[str, str], ...]) -> str:
    lines = [f"[{name}]" + " " * max(1, _COMMENT_AT - len(name) - 2) + f"# {text}"]
    lines += [_line(code, comment) for code, comment in rows]
    return "\n".join(lines) + "\n"


_REFERENCE = _section(
    "reference",
    "reference positions of the implants, and their source",
    (
        ('implants = "reference/implants.csv"', "one row per implant: position and axis"),
        ("height_mm = 0.0", "height above the platform of the measured positions (scan body top)"),
        (
            '# columns = { implant = "Element", x_mm = "X", y_mm = "Y", z_mm = "Z", axis_x = "I", '
            'axis_y = "J", axis_z = "K" }',
            "if the columns have other names",
        ),
        ('# model = "model 1"', "if there is no column for the model"),
        ('# touch_points = "reference/touch_points.csv"', "or the points probed on the CMM"),
        ('# instrument = "contact CMM"', "kind of machine, free text"),
        ('# certificate = "number"', "calibration certificate"),
        ("# measured_on = 2025-01-31", "date of the measurement"),
        ("# due_on = 2026-01-31", "date by which it must be measured again"),
        (
            "# occlusal = [0.0, 0.0, 1.0]",
            "normal of the occlusal plane, out of the bone; if designed angulations are not given",
        ),
        (
            "# mpe_um = { constant = 1.9, per_metre = 4.0 }",
            "maximum permissible error from the certificate",
        ),
        (
            "# certified = { U_position_um = 2.4, U_axis_deg = 0.02, k = 2 }",
            "or the expanded uncertainty that it states",
        ),
        ("temperature_c = 20.0", "of the model while it was measured"),
        ('length_unit = "mm"', "mm, cm, m or inch"),
        (
            'kind = "cmm"',
            "scan: the reference is itself a scan; none: no reference, no trueness",
        ),
    ),
)

_NO_REFERENCE = _section(
    "reference",
    "the model has not been measured: precision and differences only",
    (
        ('kind = "none"', "cmm once the model has been measured; the scans remain valid"),
        (
            '# sketch = "reference/sketch.csv"',
            "implant names with approximate positions; otherwise I1, I2, ... along the arch",
        ),
        ("temperature_c = 20.0", "to which the lengths of all scans are corrected"),
    ),
)

_CONFIDENCE = _section(
    "limits",
    "none: without a reference no limit can be assessed",
    (("confidence = 0.95", "confidence of intervals"),),
)

_SCANS = _section(
    "scans",
    "settings for all scans",
    (
        ('list = "scans.csv"', "one row per scan"),
        ('# poses = "poses.csv"', "positions instead of meshes, such as measured casts"),
        ('length_unit = "mm"', "of the mesh files, which do not state it"),
        ("# temperature_c = 22.5", "of the model while it was scanned"),
        (
            "# expansion_per_k = 75e-6",
            "of the model material: resin 75e-6, aluminium 23e-6, steel 11.5e-6",
        ),
    ),
)

_SCAN_BODY = _section(
    "scan_body.default",
    "the scanned part; use another name for a second type",
    (
        ('mesh = "scan_bodies/body.stl"', "its CAD geometry, from the manufacturer"),
        (
            "# cylinder = { radius_mm = 2.5, height_mm = 10, flat_offset_mm = 2.0 }",
            "instead of mesh, if there is no CAD geometry",
        ),
        ('# length_unit = "cm"', "of the CAD geometry, if not mm"),
        ("origin_mm = [0, 0, 0]", "centre of the implant platform in the CAD geometry"),
        ("axis = [0, 0, 1]", "implant axis out of the bone, in the CAD geometry"),
        ("flat = [1, 0, 0]", "from the axis towards the flat; delete if there is no flat"),
        ("use_above_mm = 2.5", "the scan is ignored below: soft tissue, saliva"),
    ),
)

_EXCLUSIONS = """\
# A scan to exclude, with the reason; the report gives the results with and without it:
# [[exclusions]]
# scan = "s007"
# reason = "scan body was loose"
"""


def _analysis(protocol: Protocol) -> str:
    condition = tuple(protocol.design.conditions)
    cell = ("session",) if protocol.kind == "drift" else ("operator", "session")
    return _section(
        "analysis",
        "how scans are grouped and aligned",
        (
            (f"condition = {_list(condition)}", "columns of scans.csv that are compared"),
            (f"cell = {_list(cell)}", "columns that define a cell of repeats"),
            (
                '# laboratory = "site"',
                "column of cell that is the laboratory; s_I is then reproducibility, otherwise "
                "intermediate precision",
            ),
            (
                'alignment = "all-implants"',
                "or first-implant, or datum-implants with datum = [...]",
            ),
        ),
    )


def _limits(protocol: Protocol) -> str:
    rows = [
        (
            f"{limit['measurand']} = {{ value = {limit['value']:g}, "
            f"source = {_string(str(limit['source']))} }}",
            "yours to decide",
        )
        for limit in protocol.limit
    ]
    if protocol.kind != "drift":
        rows.append(("spans_at_um = [50, 100, 150, 200]", "supported span is computed for these"))
    rows += [
        ("coverage = 0.95", "share of future scans covered by a tolerance limit"),
        ("confidence = 0.95", "confidence of bounds and intervals"),
    ]
    return _section("limits", "limits for the results; the literature agrees on none",
                    tuple(rows))  # fmt: skip


_SEATING = _section(
    "seating",
    "rigid framework whose seating is predicted",
    (
        ("platform_radius_mm = 2.0", "radius of the seating rim"),
        ("# screw_pitch_mm = 0.3", "gaps also as turns of the screw"),
    ),
)


def _of_validation(protocol: Protocol) -> str:
    return _SEATING


def _of_comparison(protocol: Protocol) -> str:
    """The usual model of distance, the number of implants among its effects."""
    factor = next(iter(protocol.design.conditions))
    columns = [factor, "operator", "session"]
    usual = default_specs("comparison", columns, condition=[factor])[0]
    fixed = usual.fixed.replace("path_mm)", "path_mm + n_implants)")
    random = ",\n".join(f"  {_string(term)}" for term in usual.random)
    model = [
        _line("[[model]]", "the primary model; more may follow"),
        _line('name = "distance"', "in tables and report"),
        _line('response = "pair.distance_um"', "a column of pair_deviations or implant_deviations"),
        _line(f"fixed = {_string(fixed)}", "what is tested"),
        '# random effects: "path_mm | scan" is a separate slope per scan, "implants" are\n'
        '# positions shared by pairs, "scan by technique" allows a different scatter per technique',
        f"random = [\n{random},\n]",
        _line("# equivalence_margin = 20", "um; define it before the first scan"),
    ]
    return _SEATING + "\n" + "\n".join(model) + "\n"


def _of_drift(protocol: Protocol) -> str:
    return _section(
        "drift",
        "control charts",
        (
            ('events = "events.csv"', "service, new tip, software update, with the date"),
            (f"baseline_sessions = {len(protocol.design.sessions)}",
             "first sessions, which set the control limits"),
            ("shift_um = 20", "shift that must be detected early"),
            ("false_alarm_every = 370", "sessions between false alarms of a device, all its charts"
             " together"),
        ),
    )  # fmt: skip


_OF_KIND: dict[str, Callable[[Protocol], str]] = {
    "validation": _of_validation,
    "comparison": _of_comparison,
    "drift": _of_drift,
}


def scan_columns(protocol: Protocol) -> tuple[str, ...]:
    """Columns of the scan list that a protocol asks for, in the order of the file.

    Parameters
    ----------
    protocol : Protocol
        What is asked for.

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> from accstudy.plan.protocol import load_protocol
    >>> scan_columns(load_protocol("monthly_drift"))[:6]
    ('scan', 'model', 'file', 'status', 'reason', 'device')
    """
    factors = ("operator", "session", "repeat", "reseated", "measured_at", "software")
    names = (*TABLES["scans"].names, *protocol.design.conditions, *factors, *BENCH_COLUMNS)
    return tuple(dict.fromkeys(names))


def implants_text() -> str:
    """Header of reference/implants.csv."""
    columns = TABLES["implants"].columns
    wanted = [c.name for c in columns if c.name != "valid_from" and not c.inner]
    return ",".join(wanted) + "\n"


def events_text() -> str:
    """Header of events.csv."""
    return ",".join(TABLES["events"].names) + "\n"
