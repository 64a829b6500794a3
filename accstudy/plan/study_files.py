"""The files of a new study, and rows of its scan list proposed from names and times of files."""

from __future__ import annotations

import datetime as dt
import json
import re
import textwrap
import tomllib
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

import pandas as pd

from accstudy.errors import InputError
from accstudy.models.specs import default_specs
from accstudy.plan.protocol import Protocol
from accstudy.quantities import BENCH_COLUMNS
from accstudy.tables import TABLES, shape
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


_WORDS = {
    "device": "device dev scanner gerat geraet appareil dispositivo aparelho apparecchio",
    "technique": "technique tech technik methode method tecnica metodo",
    "operator": "operator op user bediener behandler untersucher anwender operateur operatrice "
    "utilisateur operador operatore usuario utente",
    "session": "session sess s day week sitzung tag woche termin seance jour semaine sesion "
    "dia semana sessao sessione seduta giorno settimana",
    "repeat": "repeat rep r scan wiederholung wdh aufnahme messung repetition numerisation mesure "
    "repeticion escaneo repeticao ripetizione scansione",
}
"""Words for a column in file names, without accents: English, German, French, Spanish, Portuguese,
Italian."""

_COLUMN_OF = {word: column for column, said in _WORDS.items() for word in said.split()}
_TOKEN = re.compile(r"([^\W\d_]+)[ _-]?(\d+)")
_DATE = re.compile(
    r"(?<!\d)(20\d{2})-?(0[1-9]|1[0-2])-?(0[1-9]|[12]\d|3[01])"
    r"(?:[T _-]?([01]\d|2[0-3])[-:h.]?([0-5]\d)(?:[-:m.]?([0-5]\d))?)?(?!\d)"
)
_ENDINGS = re.compile(r"\.(stl|ply|obj)(\.gz)?$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class ScanFile:
    """A mesh file as its folder lists it.

    Parameters
    ----------
    path : str
        Relative to the study folder, with ``/``.
    changed : datetime
        When it was last changed, local time.
    """

    path: str
    changed: dt.datetime


@dataclass(frozen=True)
class Proposal:
    """Proposed rows, to be confirmed by the user.

    Parameters
    ----------
    scans : DataFrame
        Table ``scans``; factor columns ``operator``, ``session``, ``repeat`` and
        ``measured_at``, and those that were asked for or that names tell.
    notes : tuple of str
        Where each column came from.
    """

    scans: pd.DataFrame
    notes: tuple[str, ...]


def propose_scans(
    files: Sequence[ScanFile],
    *,
    model: str = "",
    same: Mapping[str, str] | None = None,
    wanted: Sequence[str] = (),
    known: Sequence[str] = (),
) -> Proposal:
    """Propose rows of the scan list from file names and times.

    Parameters
    ----------
    files : sequence of ScanFile
        Mesh files, in any order.
    model : str, optional
        The model that all of them show, if there is one only.
    same : mapping of str to str, optional
        Factor columns that are the same for all.
    wanted : sequence of str, optional
        Factor columns that the study groups scans by; empty where nothing tells them.
    known : sequence of str, optional
        Names of scans that the study has already.

    Returns
    -------
    Proposal
        Ordered by time, then by name. A part of a name counts where a word and a
        number follow each other, such as ``op2``, ``s_3`` or ``Sitzung 3``. A date in a
        name wins over the file's time, which copying may change. Days stand for
        sessions where names tell none. Nothing is certain.

    Raises
    ------
    InputError
        If there are no files.

    Examples
    --------
    >>> noon = dt.datetime(2025, 3, 1, 12)
    >>> found = propose_scans([ScanFile("scans/op2 r1.stl", noon)], model="M6")
    >>> found.scans[["scan", "operator", "session"]].iloc[0].tolist()
    ['op2 r1', 'operator 2', '2025-03-01']
    """
    if not files:
        raise InputError(
            "no mesh files there", hint="name the folder that contains the STL, PLY or OBJ files"
        )
    rows = []
    dated = 0
    for file in files:
        stem = _ENDINGS.sub("", file.path.rsplit("/", 1)[-1])
        at, from_name = _when(stem, file.changed)
        dated += from_name
        rows.append({"scan": stem.lstrip("=+-@ ") or "scan", "file": file.path, "model": model,
                     "measured_at": at, **_parts(_DATE.sub(" ", stem))})  # fmt: skip
    table = pd.DataFrame(rows).sort_values(["measured_at", "file"], ignore_index=True)
    table["scan"] = _unique(table["scan"].tolist(), known)
    some = f"{dated} of {len(files)} from the file name, the others " if dated else ""
    notes = [
        f"measured_at: {some}from the modification time of the file, which copying may have changed"
    ]
    found = [c for c in _WORDS if c in table]
    if found:
        notes.append(f"{', '.join(found)}: from parts of the file names")
    if "session" not in table:
        table["session"] = table["measured_at"].dt.strftime("%Y-%m-%d")
        notes.append("session: the date, because the file names contain no session")
    for column, level in (same or {}).items():
        table[column] = level
    for column in dict.fromkeys((*wanted, "operator")):
        if column not in table:
            table[column] = ""
            notes.append(f"{column}: fill in")
    usual = ("device", "technique", "operator", "session")
    named = dict.fromkeys((*usual, *(same or {}), *wanted))
    factors = [c for c in named if c in table and c not in ("repeat", "measured_at")]
    table[factors] = table[factors].fillna("")
    if "repeat" not in table or bool(table["repeat"].isna().any()):
        table["repeat"] = table.groupby(["model", *factors], sort=False).cumcount() + 1
        notes.append("repeat: counted in order of time within equal values of the other columns")
    table["repeat"] = table["repeat"].astype("int64")
    table["status"] = "ok"
    table["measured_at"] = table["measured_at"].dt.strftime("%Y-%m-%dT%H:%M:%S")
    if not model:
        notes.append("model: fill in the name used in the reference")
    own = (*factors, "repeat", "measured_at")
    return Proposal(shape("scans", table, factors=own), tuple(notes))


def _when(stem: str, changed: dt.datetime) -> tuple[dt.datetime, bool]:
    found = _DATE.search(stem)
    if found is None:
        return changed.replace(microsecond=0), False
    parts = [int(p) if p else 0 for p in found.groups()]
    try:
        return dt.datetime(*parts), True  # type: ignore[arg-type]
    except ValueError:
        return changed.replace(microsecond=0), False


def _parts(stem: str) -> dict[str, str | int]:
    """Factor levels that a file name tells."""
    out: dict[str, str | int] = {}
    letters = unicodedata.normalize("NFKD", stem.casefold())
    bare = "".join(c for c in letters if not unicodedata.combining(c))
    for word, number in _TOKEN.findall(bare):
        column = _COLUMN_OF.get(word)
        if column and column not in out:
            out[column] = int(number) if column == "repeat" else f"{column} {int(number)}"
    return out


def _unique(names: list[str], known: Sequence[str]) -> list[str]:
    counts = Counter([*names, *known])
    taken, seen = set(known), Counter(dict.fromkeys(known, 1))
    out = []
    for name in names:
        seen[name] += 1
        one = name if counts[name] == 1 else f"{name} ({seen[name]})"
        while one in taken:
            seen[name] += 1
            one = f"{name} ({seen[name]})"
        taken.add(one)
        out.append(one)
    return out
