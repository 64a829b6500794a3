"""The files of a new study: study.toml and README.md with every step, headers of its tables."""

from __future__ import annotations

import json
import textwrap
import tomllib
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

from accstudy.errors import InputError
from accstudy.models.specs import default_specs
from accstudy.plan.protocol import Protocol
from accstudy.quantities import BENCH_COLUMNS
from accstudy.tables import TABLES
from accstudy.words.catalogue import say, words

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
    text = files("accstudy.plan").joinpath("sections.toml").read_text(encoding="utf-8")
    fixed = tomllib.loads(text)
    parts = [
        _head(
            protocol, protocol.question if referenced else words("readme.questions")[protocol.kind]
        ),
        _study(protocol, title),
        fixed["reference" if referenced else "no_reference"],
        fixed["scans"],
        fixed["scan_body"],
        _analysis(protocol),
        _limits(protocol) if referenced else fixed["confidence"],
        *([] if protocol.kind == "drift" else [fixed["seating"]]),
        *([_model(protocol)] if protocol.kind == "comparison" else []),
        *([_drift(protocol)] if protocol.kind == "drift" else []),
        fixed["exclusions"],
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
        _line('# laboratory = "our laboratory"', "printed on page 1; otherwise a line to fill in"),
        _line('# report_number = "2026-01"', "the same"),
        _line('# author = "A. Example"', "the same"),
        _line('# approver = "B. Example"', "the same"),
    ]
    return "\n".join(lines) + "\n"


def _section(name: str, text: str, rows: tuple[tuple[str, str], ...]) -> str:
    lines = [f"[{name}]" + " " * max(1, _COMMENT_AT - len(name) - 2) + f"# {text}"]
    lines += [_line(code, comment) for code, comment in rows]
    return "\n".join(lines) + "\n"


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
        ("coverage = 0.95", "share of future scans covered by a tolerance bound"),
        ("confidence = 0.95", "confidence of bounds and intervals"),
    ]
    return _section("limits", "limits for the results; the literature agrees on none",
                    tuple(rows))  # fmt: skip


def _model(protocol: Protocol) -> str:
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
        f'# positions shared by pairs, "scan by {factor}" allows a different scatter per {factor}',
        f"random = [\n{random},\n]",
        _line("# equivalence_margin = 20", "µm; define it before the first scan"),
    ]
    return "\n".join(model) + "\n"


def _drift(protocol: Protocol) -> str:
    return _section(
        "drift",
        "control charts",
        (
            ('events = "events.csv"', "service, new tip, software update, with the date"),
            (f"baseline_sessions = {len(protocol.design.sessions)}",
             "first sessions, which set the control limits"),
            ("shift_um = 20", "shift that must be detected early"),
            ("false_alarm_every = 80", "sessions between false alarms of a device, all its charts"
             " together"),
        ),
    )  # fmt: skip


def scan_columns(protocol: Protocol) -> tuple[str, ...]:
    """Columns of the scan list that a protocol requires, in the order of the file.

    Parameters
    ----------
    protocol : Protocol
        What is asked for.

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
    model = d.models[0]
    question, answer = protocol.question, protocol.answer
    table = say("readme.reference_table", model=model)
    if not referenced:
        question = words("readme.questions")[protocol.kind]
        answer = words("readme.answers")[protocol.kind]
        table = say("readme.sketch", model=model)
    steps = [*words("readme.steps_measured" if referenced else "readme.steps_unmeasured").values()]
    if protocol.kind == "drift":
        steps += words("readme.steps_of_drift").values()
    steps += words("readme.steps_after").values()
    return say(
        "readme.page",
        title=title.strip() or protocol.title,
        question=question,
        answer=answer,
        n_scans=protocol.n_scans,
        blocks=blocks,
        hours=minutes / 60,
        numbered="\n".join(f"{k}. {step}" for k, step in enumerate(steps, start=1)),
        table=table,
        fixed=fixed,
        varies=varies,
        order=protocol.order,
        record=record,
        frames=frames,
    )


def held_fixed(protocol: Protocol, *, referenced: bool) -> tuple[Mapping[str, Any], ...]:
    """What a protocol keeps constant, without the measurement of the model if there is none."""
    return protocol.fixed if referenced else _without(protocol.fixed, "what", "reference measured")


def _without(
    items: tuple[Mapping[str, Any], ...], key: str, start: str
) -> tuple[Mapping[str, Any], ...]:
    """Items of a protocol that do not concern the reference."""
    return tuple(item for item in items if not str(item[key]).startswith(start))
