"""The files of a new study: study.toml with every line explained, and what to do next."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable

from accstudy.errors import InputError
from accstudy.models.specs import default_specs
from accstudy.plan.protocol import Protocol
from accstudy.tables import TABLES

__all__ = ["events_text", "implants_text", "readme_text", "scan_columns", "study_text"]

_COMMENT_AT = 44


def study_text(protocol: Protocol, *, title: str = "") -> str:
    """Write study.toml for a protocol, with a word on every line.

    Parameters
    ----------
    protocol : Protocol
        Whose values are filled in.
    title : str, optional
        Title of the study; the protocol's by default.

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
        _head(protocol),
        _study(protocol, title),
        _REFERENCE,
        _SCANS,
        _SCAN_BODY,
        _analysis(protocol),
        _limits(protocol),
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


def _head(protocol: Protocol) -> str:
    question = textwrap.wrap(protocol.question, 88)
    lines = [
        *question,
        f"Filled in from protocol {protocol.name}, version {protocol.version}. All may be changed.",
        'Lines that begin with "# " and hold a "=" are for you to fill in: take the "# " away.',
        "`accstudy check .` says what is missing; a misspelt key is named with the nearest one.",
    ]
    return "\n".join(f"# {line}" for line in lines) + "\n"


def _study(protocol: Protocol, title: str) -> str:
    lines = [
        "[study]",
        _line(f"title = {_string(title)}", "on the first page of the report"),
        _line(f"kind = {_string(protocol.kind)}", "validation, comparison or drift"),
        _line(f"protocol = {_string(protocol.name)}", "where these values come from"),
    ]
    return "\n".join(lines) + "\n"


def _section(name: str, text: str, rows: tuple[tuple[str, str], ...]) -> str:
    lines = [f"[{name}]" + " " * max(1, _COMMENT_AT - len(name) - 2) + f"# {text}"]
    lines += [_line(code, comment) for code, comment in rows]
    return "\n".join(lines) + "\n"


_REFERENCE = _section(
    "reference",
    "what the implants really are, and who says so",
    (
        ('implants = "reference/implants.csv"', "a row an implant: position and axis"),
        ("height_mm = 0.0", "height over the platform where positions were measured (body top)"),
        (
            '# columns = { implant = "Element", x_mm = "X", y_mm = "Y", z_mm = "Z", axis_x = "I", '
            'axis_y = "J", axis_z = "K" }',
            "if its columns have other names there",
        ),
        ('# model = "model 1"', "if it has no column for the model"),
        ('# touch_points = "reference/touch_points.csv"', "or the raw points that the CMM touched"),
        ('# instrument = "contact CMM"', "kind of machine, in your words"),
        ('# certificate = "number"', "its calibration certificate"),
        ("# measured_on = 2025-01-31", "day on which the model was measured"),
        ("# due_on = 2026-01-31", "day on which it must be measured again"),
        (
            "# occlusal = [0.0, 0.0, 1.0]",
            "square to the occlusal plane, out of the bone; for angulations not given as designed",
        ),
        (
            "# mpe_um = { constant = 1.9, per_metre = 4.0 }",
            "maximum permissible error from the certificate",
        ),
        ("temperature_c = 20.0", "of the model while it was measured"),
        ('length_unit = "mm"', "mm, cm, m or inch"),
        ("is_scan = false", "true: a scanner served as reference; then no trueness"),
    ),
)

_SCANS = _section(
    "scans",
    "what holds for all scans",
    (
        ('list = "scans.csv"', "a row a scan"),
        ('# poses = "poses.csv"', "positions instead of meshes, such as measured casts"),
        ('length_unit = "mm"', "of the mesh files, which do not say it themselves"),
        ("# temperature_c = 22.5", "of the model while it was scanned"),
        (
            "# expansion_per_k = 75e-6",
            "of its material: resin 75e-6, aluminium 23e-6, steel 11.5e-6",
        ),
    ),
)

_SCAN_BODY = _section(
    "scan_body.default",
    "the part that the scan sees; another name for a second kind",
    (
        ('mesh = "scan_bodies/body.stl"', "its drawing, from its maker"),
        (
            "# cylinder = { radius_mm = 2.5, height_mm = 10, flat_offset_mm = 2.0 }",
            "without a drawing, instead of mesh",
        ),
        ('# length_unit = "cm"', "of the drawing, if it is not mm"),
        ("origin_mm = [0, 0, 0]", "centre of the implant's platform in the drawing"),
        ("axis = [0, 0, 1]", "implant axis out of the bone, in the drawing"),
        ("flat = [1, 0, 0]", "from the axis towards the flat; delete if there is none"),
        ("use_above_mm = 2.5", "what lies lower is not used: gum, saliva"),
    ),
)

_EXCLUSIONS = """\
# A scan that should not count, with the reason, which the report prints beside both results:
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
            (f"cell = {_list(cell)}", "columns that make a group of repeats"),
            (
                '# laboratory = "site"',
                "column of cell that is the laboratory; s_R is then reproducibility, else it is "
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
        rows.append(("spans_at_um = [50, 100, 150, 200]", "supported span is shown for these"))
    rows += [
        ("coverage = 0.95", "share of future scans that a bound covers"),
        ("confidence = 0.95", "confidence of bounds and intervals"),
    ]
    return _section("limits", "against what results are held; the literature agrees on none",
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
        _line("[[model]]", "the primary question; more may follow"),
        _line('name = "distance"', "in tables and report"),
        _line('response = "pair.distance_um"', "a column of pair_deviations or implant_deviations"),
        _line(f"fixed = {_string(fixed)}", "what is tested"),
        '# what varies by chance: "path_mm | scan" is a slope of its own a scan, "implants" are\n'
        '# positions that pairs share, "scan by technique" lets techniques scatter differently',
        f"random = [\n{random},\n]",
        _line("# equivalence_margin = 20", "um; write it down before the first scan"),
    ]
    return _SEATING + "\n" + "\n".join(model) + "\n"


def _of_drift(protocol: Protocol) -> str:
    return _section(
        "drift",
        "what is charted and from when",
        (
            ('events = "events.csv"', "service, new tip, software update, with the date"),
            (f"baseline_sessions = {len(protocol.design.sessions)}", "first sessions, which set"
             " the limits of the charts"),
            ("shift_um = 20", "shift that must be found soon"),
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
    factors = ("operator", "session", "repeat", "reseated", "measured_at", "software", "body_uses")
    names = (*TABLES["scans"].names, *protocol.design.conditions, *factors)
    return tuple(dict.fromkeys(names))


def implants_text() -> str:
    """Header of reference/implants.csv."""
    wanted = [c.name for c in TABLES["implants"].columns if c.name != "valid_from"]
    return ",".join(wanted) + "\n"


def events_text() -> str:
    """Header of events.csv."""
    return ",".join(TABLES["events"].names) + "\n"


def readme_text(protocol: Protocol, *, title: str = "") -> str:
    """Write README.md of a new study: the steps of its protocol, in order.

    Parameters
    ----------
    protocol : Protocol
        Whose steps are written.
    title : str, optional
        Title of the study; the protocol's by default.

    Returns
    -------
    str
        Markdown.
    """
    d = protocol.design
    blocks = len(d.operators) * len(d.sessions)
    minutes = protocol.n_scans * d.minutes_per_scan + blocks * d.minutes_per_session
    fixed = "\n".join(f"- {item['what']}: {item['why']}" for item in protocol.fixed)
    varies = "\n".join(f"- {item['factor']}: {item['why']}" for item in protocol.varies)
    record = "\n".join(f"| {i['where']} | {i['what']} | {i['why']} |" for i in protocol.record)
    frames = "\n".join(f"- {item['document']}: {item['use']}" for item in protocol.frame)
    steps = _STEPS_BEFORE + (_STEP_EVENTS if protocol.kind == "drift" else ()) + _STEPS_AFTER
    numbered = "\n".join(f"{k}. {step}" for k, step in enumerate(steps, start=1))
    return f"""\
# {title.strip() or protocol.title}

{protocol.question}

The answer: {protocol.answer}

As the protocol stands: {protocol.n_scans} scans in {blocks} blocks, about \
{minutes / 60:.0f} hours at the bench.

## Next steps

`accstudy check .` says at any time what is still missing, in this order.

{numbered}

## The reference table

`reference/implants.csv` has a row an implant. Positions are the centres of the platforms; axes have
length 1 and point out of the bone. An example, to be replaced by what your machine measured:

```csv
model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z,flat_x,flat_y,flat_z,angulation_deg,scan_body,u_position_um,u_axis_deg
{d.models[0]},I1,-20.512,5.203,-1.114,-0.105,-0.105,0.989,,,,,default,0.8,0.01
{d.models[0]},I2,18.967,6.871,-0.902,0.087,0.000,0.996,,,,,default,0.8,0.01
```

Flat, angulation and uncertainties may stay empty. `angulation_deg` is the designed tilt against the
normal of the occlusal plane; without it the tilt is computed against `reference.occlusal`, or else
against the normal of the plane through the platforms.

## Held fixed

{fixed}

## Varied

{varies}

## Order

{protocol.order}

## To be written down

| where | what | why |
|---|---|---|
{record}

## Frames

Read for words and set-up. No conformity with any of them is claimed.

{frames}
"""


_STEPS_BEFORE = (
    "Read `study.toml` and fill in what begins with `# ` and holds a `=`. Decide the limits now, "
    "with their source, before any scan is made.",
    "Have the model measured on a coordinate measuring machine. Write its implants into "
    "`reference/implants.csv`, or name its own table (`columns`, `length_unit`) or the raw touch "
    "points in `study.toml`.",
    "Put the scan body's drawing into `scan_bodies/` and say where platform, axis and flat lie "
    "in it.",
    'Draw the order of scans: `accstudy plan . --operator "operator 1" --operator "operator 2"`. '
    "It fills `scans.csv` and makes a bench sheet to print, `plan/bench_sheet.pdf`. Add `--s-r 30 "
    "--s-cell 15`, or `--pilot OTHER_STUDY`, to see first what which size would show.",
)
_STEP_EVENTS = (
    "Write every service, new tip, software update and move into `events.csv`, with its date.",
)
_STEPS_AFTER = (
    "Make the scans. Put the files into `scans/`, and write each file's name and its time into "
    "columns `file` and `measured_at` of its row. A scan that failed gets `failed` in column "
    "`status`, and a reason; it is a result. "
    "Scans that were made before: `accstudy list-scans scans` proposes the rows.",
    "`accstudy run .`, then read the PDF in `reports/`.",
    "File the whole folder. `accstudy audit .` proves later that it is unchanged.",
)
