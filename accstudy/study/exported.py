"""A table as it was exported to the table that is needed; names for columns are proposed."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from accstudy.errors import Finding, InputError, Severity, StudyError, fault, nearest, place, remark
from accstudy.study.cells import parse_number
from accstudy.study.files import read_bytes
from accstudy.study.layout import Layout, cell_names, headed, missing_columns, unfolded
from accstudy.study.sheet import MAX_BYTES, Cells, Sheet, TableFile
from accstudy.tables import TABLES
from accstudy.words.catalogue import say

_NAME_SHEET = "name the intended one in study.toml: sheet = ..."
_MOST_SHOWN = 30
_IDENTIFIER = re.compile(r"[A-Za-z_]\w*")


@dataclass(frozen=True, slots=True)
class Said:
    """Where study.toml speaks of a table.

    Parameters
    ----------
    section : str
        Such as ``reference``.
    there : bool
        Whether the file has that section.
    """

    section: str
    there: bool = True


def named_sheet(path: Path, table: str, layout: Layout, *, file: str, said: Said) -> Sheet:
    """Rows of a table file by their names here, whether it is complete or not; arguments as of
    `arranged`.
    """
    source = TableFile(read_bytes(path, file=file, max_bytes=MAX_BYTES), file)
    _, named, faults = _named(source, table, layout, said)
    if faults:
        raise StudyError(faults)
    return _with_model(named, table, layout, None)


def arranged(
    data: bytes,
    table: str,
    layout: Layout,
    *,
    file: str,
    said: Said,
    models: Mapping[str, str] | None = None,
) -> Sheet:
    """Read a table file and give its columns the names that they have here.

    Parameters
    ----------
    data : bytes
        The file.
    table : str
        What it is here, in `accstudy.tables.TABLES`.
    layout : Layout
        What study.toml says about it.
    file : str
        How messages call it.
    said : Said
        Where study.toml says it.
    models : mapping of str to str, optional
        Model of every scan, for a table that names scans and no model.

    Returns
    -------
    Sheet
        With the names of the table. Where names are given, other columns are left out
        and named in a note; a table with factors keeps those that may be factors.

    Raises
    ------
    StudyError
        With every fault: names that are not there, on either side, rows that no
        column selects, required columns without a name, and the lines to write.
    InputError
        If it is no table, or has no such sheet or header.
    """
    source = TableFile(data, file)
    try:
        sheet, named, faults = _named(source, table, layout, said)
    except InputError as error:
        hint = _lines(source, table, layout, said)
        if not hint:
            raise
        what = error.message
        if "header_row" in hint:
            what = f"the first row does not name the columns ({what})"
        raise StudyError([fault("missing-column", what, error.where, hint)]) from None
    named = _with_model(named, table, layout, models)
    missing = [c.name for c in TABLES[table].columns if c.required and c.name not in named.header]
    if missing and not faults:
        faults.append(_missing(missing, sheet, source, table, layout, said))
    if faults:
        raise StudyError(faults)
    return named


def _named(
    source: TableFile, table: str, layout: Layout, said: Said
) -> tuple[Sheet, Sheet, list[Finding]]:
    """The table by its own names, by those of here, and what is wrong with it."""
    sheet = headed(_cells(source, layout), layout)
    patterns = any("{" in name for name in layout.columns.values())
    named, found = (unfolded if patterns else _renamed)(sheet, table, layout, said.section)
    if layout.label and not patterns:
        found.append(
            fault(
                "label-unused",
                f"{said.section}.label is given, but no name contains {{implant}}",
                place("study.toml", column=f"{said.section}.label"),
                f'write names such as x_mm = "{{implant}} | X" below [{said.section}.columns]',
            )
        )
    found = [*sheet.notes, *_unknown_names(table, layout, said.section), *found]
    sheets = () if layout.sheet else source.sheets
    if len(sheets) > 1:
        others = ", ".join(f'"{name}"' for name in sheets[1:])
        what = say("findings.sheet_is_read_there", sheets=sheets[0], others=others)
        found.append(remark("several-sheets", what, source.file, _NAME_SHEET))
    faults = [f for f in found if f.severity is Severity.ERROR]
    notes = tuple(f for f in found if f.severity is not Severity.ERROR)
    return sheet, replace(named, notes=notes), faults


def _cells(source: TableFile, layout: Layout) -> Cells:
    head = layout.header_row[-1] if layout.header_row else None
    return source.cells(layout.sheet, head=head or None)


def _unknown_names(table: str, layout: Layout, section: str) -> list[Finding]:
    spec = TABLES[table]
    return [
        fault(
            "unknown-column",
            f'"{own}" is not a column of the table {table}',
            place("study.toml", column=f"{section}.columns.{own}"),
            nearest(own, spec.names),
        )
        for own in layout.columns
        if own not in spec.names and not (spec.factors and _IDENTIFIER.fullmatch(own))
    ]


def _renamed(sheet: Sheet, table: str, layout: Layout, section: str) -> tuple[Sheet, list[Finding]]:
    """Give each column its name here; leave out what is neither named nor known."""
    columns = layout.columns
    spec = TABLES[table]
    found = missing_columns(columns, sheet, section)
    here: dict[str, str] = {}
    for own, user in columns.items():
        if user in here:
            what = say("findings.column_is_assigned_to", user=user, here=here[user], own=own)
            at = place("study.toml", column=f"{section}.columns.{own}")
            found.append(fault("column-twice", what, at, "name each column of the file once"))
        here[user] = own
    header = [here.get(name, name) for name in sheet.header]
    kept = [
        k
        for k, (name, user) in enumerate(zip(header, sheet.header, strict=True))
        if not columns
        or user in here
        or (name not in columns and (name in spec.names or _may_be_factor(name, spec.factors)))
    ]
    left = [f'"{sheet.header[k]}"' for k in range(len(header)) if k not in kept]
    if left:
        what = say("findings.not_used", left=", ".join(left))
        found.append(remark("columns-not-used", what, sheet.file))
    names = tuple(header[k] for k in kept)
    rows = tuple(tuple(row[k] for k in kept) for row in sheet.rows)
    called = {own: user for user, own in here.items()}
    return replace(sheet, header=names, rows=rows, called=called), found


def _may_be_factor(name: str, factors: bool) -> bool:
    return factors and _IDENTIFIER.fullmatch(name) is not None


def _with_model(
    sheet: Sheet, table: str, layout: Layout, models: Mapping[str, str] | None
) -> Sheet:
    """Fill in the model where the table has no column for it."""
    if "model" in sheet.header or "model" not in TABLES[table].names:
        return sheet
    if layout.model:
        values = [layout.model] * len(sheet.rows)
    elif models and "scan" in sheet.header:
        at = sheet.header.index("scan")
        usual = next(iter(models.values()))  # a scan of no list has a fault of its own
        values = [models.get(row[at], usual) for row in sheet.rows]
    else:
        return sheet
    rows = tuple((value, *row) for value, row in zip(values, sheet.rows, strict=True))
    return replace(sheet, header=("model", *sheet.header), rows=rows)


def _missing(
    missing: list[str], sheet: Sheet, source: TableFile, table: str, layout: Layout, said: Said
) -> Finding:
    """One finding for all columns that are missing, with the lines to write into study.toml."""
    there = ", ".join(f'"{name}"' for name in sheet.header[:_MOST_SHOWN])
    rest = len(sheet.header) - _MOST_SHOWN
    more = f" and {rest} more" if rest > 0 else ""
    hint = _lines(source, table, layout, said)
    only = sheet.header[0] if len(sheet.header) == 1 else ""
    if not hint and (sign := next((s for s in "|: " if only.count(s) >= 3), "")):
        sign = "spaces" if sign == " " else f'"{sign}"'
        hint = f"its cells seem to be separated by {sign}: use commas, semicolons or tabs"
    elif not hint and missing == ["model"]:
        hint = (
            f'add {said.section}.model = "model 1" to study.toml, if all rows belong to one model'
        )
    elif not hint:
        name = next(name for name in missing if name != "model")
        hint = (
            f"name them in study.toml: [{said.section}.columns], then one line for each, "
            f'such as {name} = "{sheet.header[0]}"'
        )
    return fault(
        "missing-column",
        f"no column {', '.join(missing)}; the table has {there}{more}",
        place(sheet.file, sheet.head, missing[0]),
        hint,
    )


def _lines(source: TableFile, table: str, layout: Layout, said: Said) -> str:
    """The lines that would make the table readable, and where they go; nothing if not known."""
    lines = proposed_lines(source, table, layout)
    if not lines:
        return ""
    if said.there:
        lines = [f"check the names, and write below [{said.section}] in study.toml:", *lines]
    else:
        lines = ["check the names, and add to study.toml:", f"[{said.section}]", *lines]
    return "\n".join(lines)


_MOST_HEADS, _MOST_ROWS, _MOST_LABELS, _MOST_CELLS = 40, 400, 3, 20_000

# Names that such tables have; common practice without a source.
_NAMES = {
    "implant": "implant|element|feature|name|id|label|tooth|fdi|site|position|no|nr|merkmal|zahn",
    "model": "model|part|cast|master|master model|modell|specimen",
    "scan": "scan|scan id|scan no|scan nr|scan name|measurement|sample|run|id|name|no|nr|messung",
    "file": "file|file name|filename|stl|mesh|path|datei|dateiname|fichier|archivo",
    "feature": "feature|type|feature type|geometry|typ",
    "at": "at|date|when|day|datum",
    "device": "device|scanner|unit|instrument|machine|gerät|appareil|dispositivo|apparecchio",
    "software": "software|version|software version",
    "reseated": "reseated|body reseated|bodies reseated|neu gesetzt|körper neu gesetzt",
    "kind": "kind|event|what|type|action",
    "x_mm": "x|x actual|actual x|x pos|pos x|position x|x position|x coordinate|center x|centre x"
    "|point x|x koordinate|x ist",
    "axis_x": "i|axis x|axis i|vector i|vector x|direction x|normal x|nx|vx|dx|dir x|actual i"
    "|i actual|u",
    "flat_x": "flat x|flat i",
    "probe_radius_mm": "probe radius|tip radius",
    "operator": "operator|user|examiner|observer|untersucher|bediener|anwender|opérateur|operatore"
    "|operador",
    "session": "session|day|series|sitzung",
    "repeat": "repeat|repetition|replicate|wiederholung|wdh|répétition|ripetizione|repetición",
    "technique": "technique|method|protocol|technik|methode|méthode|tecnica|técnica",
    "measured_at": "measured at|date|time|datum|timestamp|fecha|data",
    "temperature_c": "temperature|temp|room temperature|temp c|temperature c|temperatur"
    "|temperatur c|temperatura",
    "u_position_um": "u position|u xyz",
}
_AXES = {"x": "yz", "i": "jk", "u": "vw"}
_WANTED = {
    "implants": ("flat_x", "flat_y", "flat_z"),
    "touch_points": ("probe_radius_mm",),
    "poses": ("flat_x", "flat_y", "flat_z"),
    "scans": ("file", "device", "software", "technique", "operator", "session", "repeat",
              "measured_at", "reseated", "temperature_c"),
}  # fmt: skip
_UNIT = re.compile(
    r"(?:[\[(]\s*|_)(mm|um|[µμ]m|cm|m|in|inch|inches|deg|°|°c)(?:\s*[\])]|$)", re.IGNORECASE
)
_UNIT_SAID = re.compile(
    r"\b(?:units?|einheit(?:en)?|unités?|unità|unidad(?:es)?)\W+(cm|m|um|[µμ]m|inch(?:es)?|in|zoll)\b",
    re.IGNORECASE,
)
_UNITS = {"cm": "cm", "m": "m"} | dict.fromkeys(("in", "inch", "inches", "zoll"), "inch")
_UNITS |= dict.fromkeys(("um", "µm", "μm"), "um")
_DIRECTION = re.compile(r"axis|vector|direction|normal|achse|richtung", re.IGNORECASE)
_ACTUAL = re.compile(r"actual|measured|value|\bist\b|messwert|result", re.IGNORECASE)
_OTHER = re.compile(r"nominal|\bsoll|dev|tol|error|abw|diff", re.IGNORECASE)
_PLACE = re.compile(r"point|plane|circle|platform|cent|origin|top|kreis|punkt|ebene", re.IGNORECASE)
_ROUND = re.compile(r"[cz]yl|cone|axis|line|achse", re.IGNORECASE)
_WORD = re.compile(r"[^\s_\-.:/|]+")
_ORDER = ("x_mm", "y_mm", "z_mm", "axis_x", "axis_y", "axis_z")


@dataclass(frozen=True, slots=True)
class _Guess:
    """Columns that were recognised, and what else must be said to read them."""

    columns: dict[str, str]
    label: tuple[str, ...] = ()
    rows: tuple[str, str] | None = None


def proposed_lines(source: TableFile, table: str, layout: Layout) -> list[str]:
    """Lines below the table's section that make a table readable as it is.

    What study.toml says already is kept. Empty where the table is not recognised; every required
    column is among them. The names are guessed from the headers; who writes the lines down checks
    them.
    """
    if layout.columns:
        return []
    for sheet, head, found, above in _candidates(source, layout):
        guess = _plain(found, table) or _folded(found, table) or _selected(found, table)
        if guess is None:
            continue
        lines = [f"sheet = {_toml(sheet)}"] if sheet and not layout.sheet else []
        if head and not layout.header_row:
            lines.append(f"header_row = {head[0] if len(head) == 1 else list(head)}")
        lines += _unit_line(guess, table, above)
        if "model" not in guess.columns and "model" in TABLES[table].names and table != "poses":
            lines.append('model = "model 1"')
        if guess.rows:
            lines.append(f"rows = {{ {_toml(guess.rows[0])} = {_toml(guess.rows[1])} }}")
        if guess.label:
            lines.append(f"label = [{', '.join(_toml(name) for name in guess.label)}]")
        return lines + [f"columns.{own} = {_toml(user)}" for own, user in guess.columns.items()]
    return []


def _toml(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _unit_line(guess: _Guess, table: str, above: str) -> list[str]:
    """The unit that the columns name, or a line above them (Units: inch)."""
    unit = _UNIT.search(guess.columns.get("x_mm", "")) or _UNIT_SAID.search(above)
    if table not in ("implants", "touch_points") or not unit or unit[1].lower() not in _UNITS:
        return []
    return [f'length_unit = "{_UNITS[unit[1].lower()]}"']


def _candidates(
    source: TableFile, layout: Layout
) -> Iterator[tuple[str, tuple[int, ...], Sheet, str]]:
    """Sheets and header rows that are worth a try, the usual ones first, and the text above."""
    for number, name in enumerate([layout.sheet] if layout.sheet else source.sheets or [""]):
        try:
            cells = source.cells(name, head=layout.header_row[-1] if layout.header_row else None)
        except InputError:
            continue
        filled = [k for k, row in enumerate(cells.rows, start=1) if sum(map(bool, row)) > 1]
        filled = filled[:_MOST_HEADS]
        heads = [(k,) for k in filled] + list(itertools.pairwise(filled))
        for head in [layout.header_row] if layout.header_row else heads:
            trial = Layout(header_row=head, columns={"implant": "?"}, rows=layout.rows)
            try:
                found = headed(cells, trial)
            except InputError:
                continue
            if found.rows:
                first = next((k for k, row in enumerate(cells.rows, 1) if any(row)), 1)
                above = " ".join(" ".join(row) for row in cells.rows[: max(head[0] - 1, 0)])
                yield (name if number else ""), (() if head == (first,) else head), found, above


def _normal(name: str) -> str:
    """A header without units and signs, in small letters."""
    words = re.sub(r"[^\w]+|_", " ", _UNIT.sub(" ", name).casefold()).split()
    return " ".join(word for word in words if word not in ("mm", "um", "µm", "deg"))


def _synonyms(own: str) -> list[str]:
    stem, _, letter = own.removesuffix("_mm").rpartition("_")
    base = {"x": own, "y": own.replace("y", "x", 1), "z": own.replace("z", "x", 1)}
    if own.endswith("_mm") and not stem:
        letter = own[0]
    elif letter in "yz" and stem in ("axis", "flat"):
        base = dict.fromkeys("xyz", f"{stem}_x")
    names = _NAMES.get(base.get(letter, own) if letter in ("x", "y", "z") else own, "").split("|")
    if letter in ("y", "z"):
        step = "xyz".index(letter)
        swap = {first: (first + rest)[step] for first, rest in _AXES.items()}
        names = [
            " ".join(swap.get(w, w[:-1] + letter if w in ("nx", "vx", "dx") else w)
                     for w in name.split())
            for name in names
        ]  # fmt: skip
    return [_normal(own), *names]


def _numeric(sheet: Sheet, column: int) -> bool:
    """Whether most filled cells of a column are numbers, and there are some."""
    filled = [row[column] for row in sheet.rows[:_MOST_ROWS] if row[column]]
    good = 0
    for cell in filled:
        try:
            parse_number(cell, comma_decimals=True)
            good += 1
        except InputError:
            pass
    return bool(filled) and good > 0.8 * len(filled)


def _usual_names(sheet: Sheet, table: str, wanted: Sequence[str]) -> dict[str, str]:
    """Columns of the file by the names that they usually have."""
    kinds = {c.name: c.kind for c in TABLES[table].columns}
    by_name: dict[str, int] = {}
    for k, name in enumerate(sheet.header):
        by_name.setdefault(_normal(re.sub(r" \(column [A-Z]+\)$", "", name)), k)
    out: dict[str, str] = {}
    for own in wanted:
        for name in _synonyms(own):
            k = by_name.get(name, -1)
            if (
                k >= 0
                and sheet.header[k] not in out.values()
                and (kinds.get(own) != "number" or _numeric(sheet, k))
            ):
                out[own] = sheet.header[k]
                break
    return out


def _required(table: str) -> list[str]:
    return [c.name for c in TABLES[table].columns if c.required and c.name != "model"]


def _recognised(sheet: Sheet, table: str) -> tuple[dict[str, str], list[str]]:
    """Columns by their usual names, where all required ones are there, and which are keys."""
    required = _required(table)
    found = _usual_names(sheet, table, [*required, "model", *_WANTED.get(table, ())])
    if any(own not in found for own in required):
        return {}, []
    flats = [own for own in found if own.startswith("flat_")]
    if len(flats) < 3:
        found = {own: user for own, user in found.items() if own not in flats}
    return found, [own for own in ("scan", "model", "implant") if own in found]


def _plain(sheet: Sheet, table: str) -> _Guess | None:
    """A row here is a row there."""
    found, keys = _recognised(sheet, table)
    if not found:
        return None
    if table in ("touch_points", "events"):
        return _Guess(found)
    features = table in ("implants", "poses") and _are_features(sheet, found["implant"])
    return _Guess(found) if not features and _unique(sheet, found, keys, None) else None


def _selected(sheet: Sheet, table: str) -> _Guess | None:
    """Rows with one value of a column are the rows there."""
    found, keys = _recognised(sheet, table)
    for k, name in enumerate(sheet.header if found else ()):
        if name in found.values() or _numeric(sheet, k):
            continue
        for value in dict.fromkeys(row[k] for row in sheet.rows if row[k]):
            if _unique(sheet, found, keys, (k, value)):
                return _Guess(found, rows=(name, value))
    return None


def _are_features(sheet: Sheet, column: str) -> bool:
    """Whether names are made of an implant's and a feature's, every implant with the same ones."""
    k = sheet.header.index(column)
    names = [_WORD.findall(row[k]) for row in sheet.rows]
    for nth in range(max(map(len, names), default=0)):
        parts: dict[str, set[tuple[str, ...]]] = {}
        for words in names:
            if nth < len(words):
                rest = (*words[:nth], *words[nth + 1 :])
                parts.setdefault(words[nth], set()).add(rest)
        if len(parts) > 1 and len(set(map(frozenset, parts.values()))) == 1:
            return len(next(iter(parts.values()))) > 1
    return False


def _unique(
    sheet: Sheet, found: Mapping[str, str], keys: Sequence[str], select: tuple[int, str] | None
) -> bool:
    """Whether rows are told apart by their keys, and there are several."""
    at = [sheet.header.index(found[own]) for own in keys]
    rows = [row for row in sheet.rows if select is None or row[select[0]] == select[1]]
    named = [tuple(row[k] for k in at) for row in rows]
    return len(named) > 1 and len(set(named)) == len(named) and all(all(n) for n in named)


def _folded(sheet: Sheet, table: str) -> _Guess | None:
    """Values of an implant that lie in several rows, or columns with the implant in their name."""
    if table not in ("implants", "poses"):
        return None
    sheet = _filled_down(sheet)
    number = [_numeric(sheet, k) for k in range(len(sheet.header))]
    keys = _usual_names(sheet, table, ["scan"] if table == "poses" else [])
    if table == "poses" and not keys:
        return None
    # implants are called 16 as well as I1: a column of labels may be all numbers
    texts = [k for k, name in enumerate(sheet.header) if name not in keys.values()
             and len({row[k] for row in sheet.rows}) > 1]  # fmt: skip
    texts.sort(key=lambda k: number[k])
    for count in range(_MOST_LABELS + 1):
        for label in itertools.combinations(texts[:6], count):
            named = [sheet.header[k] for k in sorted(label)]
            values = {k for k in range(len(number)) if number[k] and k not in label}
            found = _templates(sheet, named, values, keys)
            if found:
                return _Guess({**keys, **found}, label=tuple(named))
    return None


def _filled_down(sheet: Sheet) -> Sheet:
    """Labels repeated in the rows below them, as `headed` does once they are named."""
    rows: list[tuple[str, ...]] = []
    for row in sheet.rows:
        above = rows[-1] if rows else row
        rows.append(tuple(cell or last for cell, last in zip(row, above, strict=True)))
    return replace(sheet, rows=tuple(rows))


def _templates(
    sheet: Sheet, label: Sequence[str], values: set[int], keys: Mapping[str, str]
) -> dict[str, str] | None:
    """Patterns of position and axis that every implant has, whichever word names the implant."""
    at = [sheet.header.index(name) for name in keys.values()]
    cells: set[tuple[str, ...]] = set()
    for i, k, name in itertools.islice(cell_names(sheet, label), _MOST_CELLS):
        if k in values and sheet.rows[i][k]:
            cell = (name, *(sheet.rows[i][c] for c in at))
            if cell in cells:
                return None  # the labels do not tell the rows apart
            cells.add(cell)
    words = {name: list(_WORD.finditer(name)) for name, *_ in sorted(cells)}
    for nth in range(max((len(w) for w in words.values()), default=0)):
        having: dict[str, set[str]] = {}
        for name, found in words.items():
            if nth < len(found) and "{" not in name:
                a, b = found[nth].span()
                having.setdefault(f"{name[:a]}{{implant}}{name[b:]}", set()).add(name[a:b])
        several = {t: who for t, who in having.items() if len(who) > 1}
        most = max((len(who) for who in several.values()), default=0)
        whole = [t for t, who in several.items() if len(who) == most]
        chosen = {own: _best(own, whole) for own in _ORDER}
        if all(chosen.values()) and len(set(chosen.values())) == len(_ORDER):
            return {own: pattern for own, pattern in chosen.items() if pattern}
    return None


def _best(own: str, templates: Sequence[str]) -> str | None:
    """The pattern that most likely means a column: measured, of the right feature."""
    letter = own[0] if own.endswith("_mm") else own[-1]
    vector = {"x": ("i", "nx", "u"), "y": ("j", "ny", "v"), "z": ("k", "nz", "w")}[letter]
    best, score = None, (-9,)
    for template in templates:
        words = [w.casefold() for w in _WORD.findall(_UNIT.sub(" ", template))]
        plain = template.replace("{implant}", "")
        turned = _DIRECTION.search(plain) is not None
        position = letter in words and not turned
        direction = any(v in words for v in vector) or (letter in words and turned)
        if not (position if own.endswith("_mm") else direction):
            continue
        good = _PLACE if own.endswith("_mm") else _ROUND
        rank = (2 * (_OTHER.search(plain) is None) + (good.search(plain) is not None)
                + (_ACTUAL.search(plain) is not None))  # fmt: skip
        if (rank,) > score:
            best, score = template, (rank,)
    return best
