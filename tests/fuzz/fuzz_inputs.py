"""Feed ever new bytes to everything that reads a user's file, guided by what they reach.

python tests/fuzz/fuzz_inputs.py TARGET [SECONDS] [CORPUS]     or `make fuzz`

Targets: stl, ply, obj, toml, scans, implants, poses, touch_points, landmarks, events,
table (all kinds and layouts, below a study), record (the files of its state), xlsx; `all`
runs each in a process of its own. What counts as a failure: an exception that is no
AccstudyError, twenty seconds for one input, or 2 GB of memory. An input that failed is left
as crash-*, timeout-* or oom-* in the corpus folder; feed it again with
`python tests/fuzz/fuzz_inputs.py TARGET FILE`. Needs `pip install atheris`, which comes for
Linux and macOS.
"""

from __future__ import annotations

import random
import subprocess
import sys
import tempfile
import warnings
import zipfile
from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["accstudy"]):
    from accstudy.errors import AccstudyError, Finding, StudyError
    from accstudy.mesh.read import read_mesh
    from accstudy.stages.steps import Cache, Stamps
    from accstudy.study.exported import Said, arranged
    from accstudy.study.layout import Layout, read_sheet
    from accstudy.study.load import load_study
    from accstudy.study.record import (
        chain_faults,
        changed_sessions,
        last_run,
        lost_runs,
        read_record,
    )
    from accstudy.study.toml import _known_keys
    from accstudy.study.typed_rows import typed

import numpy as np

SECONDS = 120
CORNERS = b"vertex 0 0 0\nvertex 10 0 0\nvertex 0 10 0\n"
PLY = (
    b"ply\nformat %s 1.0\nelement vertex 3\nproperty float x\nproperty float y\n"
    b"property float z\nelement face 1\nproperty list uchar int vertex_indices\nend_header\n"
)
HEAD = b"scan,model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z,flat_x,flat_y,flat_z\n"
TOUCHES = b"model,implant,feature,x_mm,y_mm,z_mm\n" + b"".join(
    b"M,I%d,%s,%.4f,%.4f,%.4f\n" % (i, kind, x + 20 * i, y, z)
    for i in (1, 2)
    for kind, points in (
        (b"plane", [(0, 0, 0), (1, 0, 0), (0, 1, 0), (1, 1, 0.001)]),
        (b"cylinder", [(2 * np.cos(t), 2 * np.sin(t), t) for t in np.linspace(0.1, 6, 9)]),
    )
    for x, y, z in points
)
STUDY = {
    "study.toml": b'[study]\ntitle = "A"\nkind = "drift"\n[scans]\nposes = "poses.csv"\n'
    b'landmarks = "landmarks.csv"\n[drift]\nevents = "events.csv"\n'
    b'[limits]\ndistance_um = { value = 100, source = "x" }\n[[model]]\nname = "m"\n'
    b'response = "pair.distance_um"\n',
    "scans.csv": b"scan,model,device,session,repeat,measured_at,status,reason\n"
    b's1,M,A,1,1,2026-01-01,,\ns2,M,A,2,1,2026-02-01T10:00,failed,"torn\nat the edge"\n',
    "reference/implants.csv": b"model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z,flat_x,flat_y,"
    b"flat_z,valid_from\nM,I1,0,0,0,0,0,1,1,0,0,\nM,I2,20,5,0,0,0,1,,,,\n",
    "poses.csv": HEAD + b"s1,M,I1,0,0,0,0,0,1,1,0,0\ns1,M,I2,20.01,5,0,0,0,1,,,\n",
    "landmarks.csv": b"scan,implant,x_mm,y_mm,z_mm\ns1,I1,0,0,0\n",
    "events.csv": b"at,device,kind,note,new_baseline\n2026-01-15,A,service,none,true\n",
}

CELLS = (
    b"| |nan|inf|-0|0|-1|1e308|1e-320|1e999|0x1|1,5|1 234.5|12\xc2\xb5m|\xef\xbc\x91|\xe2\x88\x921"
    b'|=1+1|"a\nb"|true|yes|failed|ok|M|N|I1|I2|s1|s2|36|1e10|2026-02-30|2026-01-01|31.12.99|9999-12-31'
    b"|0001-01-01|2026-01-01T25:00|2026-01-01T10:00+14:00"
).split(b"|")
VALUES = (
    b'""|"A"|0|-1|1|0.5|1e308|-1e-320|nan|inf|true|[]|{}|[1, 2]|[1, 2, 3]|"scans.csv"|"poses.csv"'
    b'|"../a"|"cmm"|"scan"|"none"|"inch"|"um"|"device"|"pair.distance_um"|"device * angulation_deg"'
    b'|["model", "scan"]|["I1", "I2"]|2026-01-01|0001-01-01|"2026-02-30"'
    b'|{ radius_mm = 2, height_mm = 8 }|{ value = 1, source = "x" }|"[]"'
    b'|{ x_mm = "y_mm", implant = "{implant} x" }'
).split(b"|")


def by_cells(data: bytes, size: int, seed: int) -> bytes:
    """Change one to three cells or rows of a table, so that what follows the parser is reached."""
    rng = random.Random(seed)
    rows = [line.split(b",") for line in data.split(b"\n")]
    for _ in range(rng.randint(1, 3)):
        row = rng.choice(rows)
        at, other = rng.randrange(len(row)), rng.choice(rows)
        match rng.randrange(8):
            case 0 | 1 | 2:
                row[at] = rng.choice(CELLS)
            case 3:
                row[at] = rng.choice(other)
            case 4:
                row[at] = atheris.Mutate(row[at], len(row[at]) + 8)
            case 5:
                rows.insert(rng.randrange(len(rows)), list(other))
            case 6 if len(rows) > 1:
                rows.remove(other)
            case _:
                for line in rows:  # a column of its own
                    line.insert(min(at, len(line)), rng.choice(other))
    return b"\n".join(b",".join(row) for row in rows)[:size]


def by_keys(data: bytes, size: int, seed: int) -> bytes:
    """Set a key of study.toml that there is to a value that some key may have."""
    rng = random.Random(seed)
    if rng.randrange(4) == 0:
        return atheris.Mutate(data, size)
    lines = data.split(b"\n")
    heads = [k for k, line in enumerate(lines) if line.startswith(b"[")]
    section = rng.choice(_known_keys([]))
    path = [section, 0] if section in ("model", "exclude") else [section]
    path += ["default"] if section == "scan_body" else []
    key = rng.choice(_known_keys(path) or ["a"]).encode()
    line = key + b" = " + rng.choice(VALUES)
    head = ("[[model]]" if section == "model" else f"[{'.'.join(map(str, path))}]").encode()
    if head in lines:
        start = lines.index(head)
        end = min((k for k in heads if k > start), default=len(lines))
        kept = [x for x in lines[start:end] if not x.startswith(key + b" ")]
        lines[start:end] = [*kept, line] if rng.randrange(4) else kept
    else:
        lines += [head, line]
    return b"\n".join(lines)[:size]


def packed(**files: bytes) -> bytes:
    """A zip archive of files."""
    out = BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()


def workbook() -> bytes:
    """A small workbook as a spreadsheet program writes it."""
    import openpyxl

    book = openpyxl.Workbook()
    for line in STUDY["scans.csv"].decode().split("\n")[:2]:
        book.active.append(line.split(","))
    out = BytesIO()
    book.save(out)
    return out.getvalue()


def of_mesh(kind: str) -> Callable[[Path, bytes], None]:
    """Read a mesh of a kind."""

    def read(folder: Path, data: bytes) -> None:
        path = folder / f"a.{kind}"
        path.write_bytes(data)
        mesh = read_mesh(path, max_bytes=10_000_000)
        assert len(mesh.faces)
        assert np.isfinite(mesh.vertices_mm).all()
        assert 0 <= mesh.faces.min() <= mesh.faces.max() < len(mesh.vertices_mm)
        assert all(f.what and f.code for f in mesh.findings)

    return read


def of_study(name: str) -> Callable[[Path, bytes], None]:
    """Read a study with one file replaced."""

    def read(folder: Path, data: bytes) -> None:
        files = STUDY | {name: data}
        if name == "touch_points.csv":
            more = b'[reference]\ntouch_points = "touch_points.csv"\n'
            files["study.toml"] = STUDY["study.toml"] + more
        (folder / "reference").mkdir(exist_ok=True)
        for file, content in files.items():
            (folder / file).write_bytes(content)
        found: tuple[Finding, ...]
        try:
            study = load_study(folder)
            found = study.findings
            numbers = study.implants[["x_mm", "y_mm", "z_mm", "axis_x", "axis_y", "axis_z"]]
            assert np.isfinite(numbers.to_numpy(float)).all()
            assert study.scans["scan"].is_unique
        except StudyError as error:
            found = error.findings
            assert found
        assert all(f.what and f.code for f in found)
        str(found)

    return read


KINDS = ("scans", "implants", "poses", "touch_points", "landmarks", "events", "sketch")
LAYOUTS = (
    Layout(),
    Layout(header_row=(1, 2), label=("model",), columns={"x_mm": "{implant} | X"}),
    Layout(header_row=(0,), columns={"scan": "column A", "implant": "column B"}),
    Layout(rows={"model": ("M",)}, columns={"implant": "implant", "x_mm": "x_mm"}),
)


def of_table(folder: Path, data: bytes) -> None:
    """Read a table of any kind and layout, which the first byte chooses, without a study."""
    kind, layout = KINDS[data[0] % 7] if data else "scans", LAYOUTS[data[0] // 7 % 4 if data else 0]
    sheet = arranged(data[1:], kind, layout, file="a.csv", said=Said("scans"))
    frame, faults = typed(sheet, kind)
    assert len(frame) == len(sheet.rows)
    assert all(f.what and f.code and f.where for f in faults)


def of_record(folder: Path, data: bytes) -> None:
    """Read the record, the history and the kept view of a study from elsewhere."""
    for name in ("record.json", "located.json"):
        (folder / name).write_bytes(data)
    assert isinstance(read_record(folder), dict)
    chain_faults(data)
    lost_runs(data)
    last_run(data)
    changed_sessions(data, {"a": "b"})
    Cache(folder).get({"s1": "record"})
    Stamps(folder)


def of_workbook(folder: Path, data: bytes) -> None:
    """Read a workbook."""
    path = folder / "a.xlsx"
    path.write_bytes(data)
    sheet = read_sheet(path, file="a.xlsx")
    assert all(len(row) == len(sheet.header) for row in sheet.rows)


FACET = b"facet normal 0 0 1\nouter loop\n" + CORNERS + b"endloop\nendfacet\n"
BINARY = b"\0" * 80 + b"\x01\0\0\0" + np.zeros(3, "<f4").tobytes() + np.array(
    [[0, 0, 0], [10, 0, 0], [0, 10, 0]], "<f4"
).tobytes() + b"\0\0"  # fmt: skip
BODY = np.array([[0, 0, 0], [10, 0, 0], [0, 10, 0]], "<f4").tobytes() + b"\x03" + np.arange(
    3, dtype="<i4"
).tobytes()  # fmt: skip
TARGETS: dict[str, tuple[Callable[[Path, bytes], None], list[bytes]]] = {
    "stl": (of_mesh("stl"), [b"solid a\n" + FACET * 2 + b"endsolid a\n", BINARY]),
    "ply": (of_mesh("ply"), [
        PLY % b"ascii" + b"0 0 0\n10 0 0\n0 10 0\n3 0 1 2\n",
        PLY % b"binary_little_endian" + BODY,
    ]),
    "obj": (of_mesh("obj"), [b"o a\nv 0 0 0\nv 10 0 0\nv 0 10 0\nvn 0 0 1\nf 1//1 2//1 -1//1\n"]),
    "toml": (of_study("study.toml"), [STUDY["study.toml"]]),
    "scans": (of_study("scans.csv"), [STUDY["scans.csv"]]),
    "implants": (of_study("reference/implants.csv"), [STUDY["reference/implants.csv"]]),
    "poses": (of_study("poses.csv"), [STUDY["poses.csv"], STUDY["poses.csv"].replace(b",", b";")]),
    "touch_points": (of_study("touch_points.csv"), [TOUCHES]),
    "landmarks": (of_study("landmarks.csv"), [STUDY["landmarks.csv"]]),
    "events": (of_study("events.csv"), [STUDY["events.csv"]]),
    "table": (of_table, [
        bytes([k + 7 * j]) + STUDY[name] for j in range(4) for k, name in enumerate(
            ("scans.csv", "reference/implants.csv", "poses.csv", "landmarks.csv")
        )
    ]),
    "record": (of_record, [
        b'{"accstudy": "1", "outputs": {"a": "b"}, "findings": {"check": []}}\n',
        b'{"poses": "scan\\n", "findings": []}',
        b'{"line": "a", "previous": "", "sessions": {"a": "b"}}\n{"line": "b", "previous": "c"}\n',
    ]),
    "xlsx": (of_workbook, [workbook(), packed(**{"a.xml": b"<a/>"})]),
}  # fmt: skip

CSV = ("scans", "implants", "poses", "touch_points", "landmarks", "events")


def run(target: str, *words: str) -> None:
    """Fuzz one target in this process, until libFuzzer ends it."""
    read, _ = TARGETS[target]
    place = tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None)

    warnings.simplefilter("error")  # a warning of a library is nothing that a user can mend

    def once(data: bytes) -> None:
        try:
            read(Path(place.name), data)
        except AccstudyError as error:
            str(error)

    flags = ["-timeout=20", "-rss_limit_mb=2048", "-max_len=4096", *words]
    change = by_keys if target == "toml" else by_cells if target in CSV else None
    more = {"custom_mutator": change} if change else {}
    atheris.Setup([sys.argv[0], *flags], once, **more)
    atheris.Fuzz()


def main() -> None:
    """Run one target or all."""
    target, *more = sys.argv[1:] or ["all"]
    if more and not more[0].isdigit():
        run(target, *more)
        return
    seconds = int(more[0]) if more else SECONDS
    corpus = Path(more[1] if len(more) > 1 else "fuzz_corpus")
    failed = []
    for name in TARGETS if target == "all" else [target]:
        folder = corpus / name
        folder.mkdir(parents=True, exist_ok=True)
        for number, seed in enumerate(TARGETS[name][1]):
            (folder / f"seed{number}").write_bytes(seed)
        words = [f"-max_total_time={seconds}", f"-artifact_prefix={folder}/", "-verbosity=0",
                 "-print_final_stats=1", "-seed=1", str(folder)]  # fmt: skip
        done = subprocess.run([sys.executable, __file__, name, *words], text=True,
                              stdout=subprocess.PIPE, stderr=subprocess.STDOUT)  # fmt: skip
        said = [line for line in done.stdout.splitlines() if "number_of_executed" in line]
        print(name, said[0].split()[-1] if said else "?", "inputs", flush=True)
        if done.returncode:
            failed.append(name)
            print("\n".join(done.stdout.splitlines()[-40:]), flush=True)
    if failed:
        raise SystemExit(f"failed: {', '.join(failed)}")


if __name__ == "__main__":
    main()
