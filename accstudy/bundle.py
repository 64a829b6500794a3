"""One file to hand to an auditor: report, tables, record, history, and how to verify them."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Sequence
from pathlib import Path

from accstudy.study.disk import digest, write_files
from accstudy.study.record import read_record

__all__ = ["write_bundle"]

_WHEN = (1980, 1, 1, 0, 0, 0)  # the same files give the same bytes

_VERIFY = """\
How to verify this bundle
=========================

Unpack it into an empty folder and type there, on Linux, macOS or Windows (WSL, Git Bash):

    sha256sum --check SHA256SUMS

Every line must end in "OK": then no file of the bundle has changed since it was made.

INPUTS.sha256 lists the SHA-256 of every input of the study (settings, scan list, reference,
scans), which are not in this bundle. In the study's folder type:

    sha256sum --check INPUTS.sha256

results/record.json states the SHA-256 of every input and result, the settings and the versions
of the program and its libraries. results/history.jsonl has a line a run; each line holds the
SHA-256 of the line before ("previous", without the line's end) and of its record, so that a
line that was changed, removed or put in shows:

    sed -n 1p results/history.jsonl | tr -d '\\n' | sha256sum     ("previous" of line 2)
    sha256sum results/record.json                                ("record" of the last line)

"sessions" in a line are digests of the rows and files of the sessions that were recorded then.
audit.txt says what the audit found when this bundle was made.
"""


def write_bundle(study: Path, target: Path, said: Sequence[str]) -> Path:
    """Pack a study's report, results, record and history.

    Parameters
    ----------
    study : Path
        Study folder, with results.
    target : Path
        The zip to write.
    said : sequence of str
        What the audit found.

    Returns
    -------
    Path
        The zip. The same files give the same bytes.
    """
    files = {"audit.txt": "\n".join([*said, ""]).encode(), "VERIFY.txt": _VERIFY.encode()}
    for folder in ("results", "reports", "plan"):
        for path in sorted((study / folder).rglob("*")):
            if path.is_file() and not path.is_symlink() and not path.name.startswith("."):
                files[path.relative_to(study).as_posix()] = path.read_bytes()
    inputs = read_record(study / "results").get("inputs", {})
    files["INPUTS.sha256"] = _sums(inputs).encode()
    files["SHA256SUMS"] = _sums({name: digest(data) for name, data in files.items()}).encode()
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in sorted(files):
            archive.writestr(zipfile.ZipInfo(name, _WHEN), files[name], zipfile.ZIP_DEFLATED)
    return write_files(target.parent, {target.name: stream.getvalue()})[0]


def _sums(digests: dict[str, str]) -> str:
    return "".join(f"{value}  {name}\n" for name, value in sorted(digests.items()))
