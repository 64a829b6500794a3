"""Rows of the scan list proposed from file names and times."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from accstudy.errors import InputError
from accstudy.tables import shape

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
