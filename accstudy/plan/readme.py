"""README.md of a new study: the steps of its protocol, in order."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from accstudy.plan.protocol import Protocol

__all__ = ["QUESTIONS", "held_fixed", "readme_text"]


def readme_text(protocol: Protocol, *, title: str = "", referenced: bool = True) -> str:
    """Write README.md of a new study: the steps of its protocol, in order.

    Parameters
    ----------
    protocol : Protocol
        Whose steps are written.
    title : str, optional
        Title of the study; the protocol's by default.
    referenced : bool
        Whether the model is measured, so that there is a reference.

    Returns
    -------
    str
        Markdown.
    """
    d = protocol.design
    blocks = len(d.operators) * len(d.sessions)
    minutes = protocol.n_scans * d.minutes_per_scan + blocks * d.minutes_per_session
    held = held_fixed(protocol, referenced=referenced)
    written = (
        protocol.record if referenced else _without(protocol.record, "where", "study.toml, ref")
    )
    fixed = "\n".join(f"- {item['what']}: {item['why']}" for item in held)
    varies = "\n".join(f"- {item['factor']}: {item['why']}" for item in protocol.varies)
    record = "\n".join(f"| {i['where']} | {i['what']} | {i['why']} |" for i in written)
    frames = "\n".join(f"- {item['document']}: {item['use']}" for item in protocol.frame)
    first, answer, table = _STEPS_BEFORE, protocol.answer, _REFERENCE_TABLE.format(d.models[0])
    if not referenced:
        first, answer, table = (
            _STEPS_UNREFERENCED,
            _ANSWERS[protocol.kind],
            _SKETCH.format(d.models[0]),
        )
    steps = first + (_STEP_EVENTS if protocol.kind == "drift" else ()) + _STEPS_AFTER
    numbered = "\n".join(f"{k}. {step}" for k, step in enumerate(steps, start=1))
    return f"""\
# {title.strip() or protocol.title}

{protocol.question if referenced else QUESTIONS[protocol.kind]}

The answer: {answer}

As the protocol stands: {protocol.n_scans} scans in {blocks} blocks, about \
{minutes / 60:.0f} hours at the bench.

## Next steps

`accstudy check .` says at any time what is still missing, in this order.

{numbered}

{table.format(d.models[0])}
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


def held_fixed(protocol: Protocol, *, referenced: bool) -> tuple[Mapping[str, Any], ...]:
    """What a protocol holds fixed, without the measurement of the model where there is none."""
    return protocol.fixed if referenced else _without(protocol.fixed, "what", "reference by")


def _without(
    items: tuple[Mapping[str, Any], ...], key: str, start: str
) -> tuple[Mapping[str, Any], ...]:
    """Items of a protocol that do not concern the reference."""
    return tuple(item for item in items if not str(item[key]).startswith(start))


_REFERENCE_TABLE = """\
## The reference table

`reference/implants.csv` has a row an implant. Positions are the centres of the platforms; axes have
length 1 and point out of the bone. An example, to be replaced by what your machine measured:

```csv
model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z,flat_x,flat_y,flat_z,angulation_deg,scan_body,u_position_um,u_axis_deg
{0},I1,-20.512,5.203,-1.114,-0.105,-0.105,0.989,,,,,default,0.8,0.01
{0},I2,18.967,6.871,-0.902,0.087,0.000,0.996,,,,,default,0.8,0.01
```

Flat, angulation and uncertainties may stay empty. `angulation_deg` is the designed tilt against the
normal of the occlusal plane; without it the tilt is computed against `reference.occlusal`, or else
against the normal of the plane through the platforms.
"""

_SKETCH = """\
## The names of the implants

Without a sketch they are I1, I2, ... along the arch, counter-clockwise as seen from above. To name
them yourself, write `reference/sketch.csv` (and take the `# ` before `sketch` away): rough
positions, to a few millimetres, seen from above, such as from a photograph beside a ruler.
`angulation_deg`, the designed tilt, may stay empty.

```csv
model,implant,x_mm,y_mm,angulation_deg
{0},17,-20,-8,
{0},14,-12,8,
{0},24,12,8,
{0},27,20,-8,
```

## What a measured model would add

Trueness, bias and conformity with your limits. The scans can stay: when a coordinate measuring
machine has measured the model, write its table into `reference/implants.csv`, set `kind = "cmm"`
and run again.
"""

QUESTIONS = {
    "validation": "How far apart lie impressions of the same model made with this device, software "
    "and technique, by the people who will use it, up to which span and path along the arch?",
    "comparison": "Do two techniques differ from each other, in distance or in scatter, by how "
    "much, and does the difference depend on angulation, on the number of implants or on the path "
    "along the arch?",
    "drift": "Is the device still what it was in its first sessions, and since when not?",
}
"""What a study without a reference asks, by its kind."""

_ANSWERS = {
    "validation": "how far two scans of the same model lie apart, by repeating and by operator and "
    "session, how that grows with span and path, and how far this scatter alone would unseat a "
    "framework. Not: whether the distances are right.",
    "comparison": "by how much techniques differ from each other, in distance and in scatter, with "
    "intervals. Not: which of them is right.",
    "drift": "whether a device has changed against its own first sessions, when, and by how much. "
    "Not: whether it was right then.",
}

_STEPS_UNREFERENCED = (
    "Read `study.toml` and fill in what begins with `# ` and holds a `=`.",
    "Take one model, screw the scan bodies on, and never change the model. Nobody needs to measure "
    "it: its arrangement is learned from the scans.",
    "Put the scan body's drawing into `scan_bodies/` and say where platform, axis and flat lie "
    "in it.",
    'Draw the order of scans: `accstudy plan . --operator "operator 1" --operator "operator 2"`. '
    "It fills `scans.csv` and makes a bench sheet to print, `plan/bench_sheet.pdf`.",
)

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
