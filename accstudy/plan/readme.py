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

According to the protocol: {protocol.n_scans} scans in {blocks} blocks, about \
{minutes / 60:.0f} hours at the bench.

## Next steps

`accstudy check .` lists at any time what is still missing, in this order.

{numbered}

{table.format(d.models[0])}
## Kept constant

{fixed}

## Varied

{varies}

## Order

{protocol.order}

## To be recorded

| where | what | why |
|---|---|---|
{record}

## Standards consulted

Consulted for terms and set-up. Conformity with them is not claimed.

{frames}
"""


def held_fixed(protocol: Protocol, *, referenced: bool) -> tuple[Mapping[str, Any], ...]:
    """What a protocol holds fixed, without the measurement of the model where there is none."""
    return protocol.fixed if referenced else _without(protocol.fixed, "what", "reference measured")


def _without(
    items: tuple[Mapping[str, Any], ...], key: str, start: str
) -> tuple[Mapping[str, Any], ...]:
    """Items of a protocol that do not concern the reference."""
    return tuple(item for item in items if not str(item[key]).startswith(start))


_REFERENCE_TABLE = """\
## The reference table

`reference/implants.csv` has one row per implant. Positions are the platform centres; axes have
length 1 and point out of the bone. Replace this example with your measured values:

```csv
model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z,flat_x,flat_y,flat_z,angulation_deg,scan_body,u_position_um,u_axis_deg
{0},I1,-20.512,5.203,-1.114,-0.105,-0.105,0.989,,,,,default,0.8,0.01
{0},I2,18.967,6.871,-0.902,0.087,0.000,0.996,,,,,default,0.8,0.01
```

Flat, angulation and uncertainties may be left empty. `angulation_deg` is the designed angulation
against the normal of the occlusal plane; without it, the angulation is computed against
`reference.occlusal`, or against the normal of the plane through the platforms.
"""

_SKETCH = """\
## The names of the implants

Without a sketch they are I1, I2, ... along the arch, counter-clockwise as seen from above. To
choose the names, write `reference/sketch.csv` (and remove the `# ` before `sketch`): approximate
positions, to a few millimetres, seen from above, for example from a photograph with a ruler.
`angulation_deg`, the designed angulation, may be left empty.

```csv
model,implant,x_mm,y_mm,angulation_deg
{0},17,-20,-8,
{0},14,-12,8,
{0},24,12,8,
{0},27,20,-8,
```

## What a reference measurement would add

Trueness, bias and conformity with your limits. The scans remain valid: when the model has been
measured on a coordinate measuring machine, write the values into `reference/implants.csv`, set
`kind = "cmm"` and run again.
"""

QUESTIONS = {
    "validation": (
        "How much do impressions of the same model differ when made with this device, software and "
        "technique by the people who will use it, and up to which span and arch length?"
    ),
    "comparison": (
        "Do two techniques differ in distance or in scatter, by how much, and does the difference "
        "depend on angulation, on the number of implants or on the arch length?"
    ),
    "drift": "Has the device changed since its first sessions, and when?",
}
"""What a study without a reference asks, by its kind."""

_ANSWERS = {
    "validation": (
        "how much two scans of the same model differ between repeats, operators and sessions, how "
        "this grows with span and arch length, and which misfit of a framework this scatter alone "
        "would cause. Not answered: whether the distances are correct."
    ),
    "comparison": (
        "by how much techniques differ in distance and in scatter, with intervals. Not answered: "
        "which of them is correct."
    ),
    "drift": (
        "whether a device has changed since its first sessions, when, and by how much. Not "
        "answered: whether it was correct then."
    ),
}

_STEPS_UNREFERENCED = (
    "Read `study.toml` and fill in the lines that begin with `# ` and contain `=`.",
    "Use one model with the scan bodies screwed on, and do not change it. It need not be "
    "measured: the arrangement of its implants is derived from the scans.",
    "Put the CAD geometry of the scan body into `scan_bodies/` and define its platform, axis and "
    "flat in `study.toml`.",
    'Randomise the order of scans: `accstudy plan . --operator "operator 1" --operator "operator '
    '2"`. This fills `scans.csv` and makes a data collection sheet to print, '
    "`plan/bench_sheet.pdf`.",
)

_STEPS_BEFORE = (
    "Read `study.toml` and fill in the lines that begin with `# ` and contain `=`. Set the "
    "limits, with their source, before any scan is made.",
    "Have the model measured on a coordinate measuring machine. Write its implants into "
    "`reference/implants.csv`, or describe the exported table (`columns`, `length_unit`) or the "
    "probed points in `study.toml`.",
    "Put the CAD geometry of the scan body into `scan_bodies/` and define its platform, axis and "
    "flat in `study.toml`.",
    'Randomise the order of scans: `accstudy plan . --operator "operator 1" --operator "operator '
    '2"`. This fills `scans.csv` and makes a data collection sheet to print, '
    "`plan/bench_sheet.pdf`. Add "
    "`--s-r 30 --s-cell 15`, or `--pilot OTHER_STUDY`, to see beforehand what each sample size "
    "would show.",
)
_STEP_EVENTS = (
    "Record every service, new tip, software update and relocation in `events.csv`, with its date.",
)
_STEPS_AFTER = (
    "Make the scans. Put the files into `scans/`, and write each file's name and its time into "
    "columns `file` and `measured_at` of its row. For a failed scan write `failed` in column "
    "`status` and a reason; failures are results. For existing scans, `accstudy list-scans scans` "
    "proposes the rows.",
    "`accstudy run .`, then read the PDF in `reports/`.",
    "Archive the whole folder. `accstudy audit .` verifies later that it is unchanged.",
)
