"""What a young study still lacks, in the order in which one would do it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from accstudy.errors import Finding, Severity

__all__ = ["split_missing"]


def split_missing(
    findings: Sequence[Finding],
) -> tuple[tuple[tuple[str, str], ...], tuple[Finding, ...]]:
    """Part what is not there yet from what is wrong.

    The first are steps still to be done, and the place of the first finding that says so, in the
    order in which to do them: reference, scan body, room, scan list, scans, their columns; empty
    when nothing is missing without which the study cannot be computed. The second are the findings
    that the steps do not speak of.
    """
    steps: list[tuple[str, str]] = []
    told: set[Finding] = set()
    needed = False
    for wanted, words in _STEPS:
        found = [f for f in findings if wanted(f)]
        if found:
            steps += [(said, found[0].where) for said in words(found)]
            told.update(found)
            needed = needed or any(f.severity is Severity.ERROR for f in found)
    if not needed:
        return (), tuple(findings)
    return tuple(steps), tuple(f for f in findings if f not in told)


_Wanted = Callable[[Finding], bool]
_Words = Callable[[list[Finding]], list[str]]


def _code(*codes: str) -> _Wanted:
    return lambda finding: finding.code in codes


def _file(finding: Finding) -> str:
    return finding.where.split(":", 1)[0]


def _column(finding: Finding) -> str:
    return finding.where.rsplit(":", 1)[-1]


def _quoted(text: str) -> str:
    return text.split('"')[1]


def _rows(findings: Sequence[Finding]) -> str:
    rows = [f.where.split(":")[1] for f in findings]
    return f"row {rows[0]}" if len(rows) == 1 else f"{len(rows)} rows, from row {rows[0]} on"


def _scan_file(finding: Finding) -> bool:
    return finding.code == "no-file" and _column(finding) == "file"


def _setting_file(finding: Finding) -> bool:
    return finding.code == "no-file" and _file(finding) == "study.toml"


def _empty_columns(findings: list[Finding]) -> list[str]:
    columns = dict.fromkeys(_column(f) for f in findings)
    return [
        f"Fill in column {column} in {_file(findings[0])} "
        f"({_rows([f for f in findings if _column(f) == column])})."
        for column in columns
    ]


_STEPS: tuple[tuple[_Wanted, _Words], ...] = (
    (
        _code("no-implants"),
        lambda f: [
            f"Write the implants of the reference model into {_file(f[0])}, one row each, as "
            "reported by the coordinate measuring machine."
        ],
    ),
    (
        _code("no-reference-uncertainty"),
        lambda f: [
            "Give the maximum permissible error of the machine from its certificate: "
            "reference.mpe_um in study.toml (optional; without it the uncertainty of the bias "
            "lacks this contribution)."
        ],
    ),
    (
        _setting_file,
        lambda found: [
            f"Add the file named by {_column(f)} in study.toml: {_quoted(f.what)}."
            for f in found
        ],
    ),
    (
        _code("no-scan-body"),
        lambda f: ["Describe the scan body in study.toml: [scan_body.default]."],
    ),
    (
        _code("no-temperature"),
        lambda f: [
            "Give scans.temperature_c and scans.expansion_per_k in study.toml (optional; without "
            "them lengths are not corrected)."
        ],
    ),
    (
        _code("no-scans"),
        lambda f: [
            f"Fill {_file(f[0])}: `accstudy plan STUDY` randomises the order of scans still to "
            "make; `accstudy list-scans STUDY` proposes rows for existing scans."
        ],
    ),
    (
        _code("no-scans-yet"),
        lambda f: [
            f"Make the scans ({f[0].what}) and write each file's name into column file of "
            f"{_file(f[0])}."
        ],
    ),
    (
        _code("scans-planned"),
        lambda f: [f"Make the remaining scans: {f[0].what}."],
    ),
    (
        _code("no-data"),
        lambda f: [
            f"Name the mesh file of each scan in column file of {_file(f[0])} ({_rows(f)}), or "
            "write failed or planned into column status."
        ],
    ),
    (
        _scan_file,
        lambda f: [f"Add the mesh files that {_file(f[0])} names but that do not exist "
                   f"({_rows(f)}; {f[0].what})."],
    ),
    (_code("empty-factor"), _empty_columns),
)  # fmt: skip
