"""Files of up to 2 MB made to hang, crash or fill: each must end with an answer.

python tests/benchmarks/hostile_files.py [--only WORD] [--worst N]

Every file is generated, put into a small sound study and given to the command as a user would.
Bar: 10 s of CPU, 1 GB of memory, and never exit code 1. What misses it is printed, then the
slowest; the exit code is 1 if any misses it. POSIX only: each command runs in a fork.
"""
# ruff: noqa: E501 - a case a line

from __future__ import annotations

import argparse
import gzip
import io
import os
import resource
import shutil
import struct
import sys
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from pathlib import Path

from accstudy.cli import main
from accstudy.stages import analyze, check, report  # noqa: F401 - loaded once for all forks

MB = 2_000_000
SECONDS, BYTES = 10.0, 1_000_000_000

POSITIONS = {
    "study.toml": b'[study]\ntitle = "A"\nkind = "drift"\n[scans]\nposes = "poses.csv"\n'
    b'landmarks = "landmarks.csv"\n[drift]\nevents = "events.csv"\n',
    "scans.csv": b"scan,model,device,session,repeat,measured_at,status,reason\n"
    b"s1,M,A,1,1,2026-01-01,,\ns2,M,A,2,1,2026-02-01,,\n",
    "reference/implants.csv": b"model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n"
    b"M,I1,0,0,0,0,0,1\nM,I2,20,5,0,0,0,1\n",
    "poses.csv": b"scan,model,implant,x_mm,y_mm,z_mm,axis_x,axis_y,axis_z\n"
    b"s1,M,I1,0,0,0,0,0,1\ns1,M,I2,20.01,5,0,0,0,1\ns2,M,I1,0,0,0,0,0,1\ns2,M,I2,20.02,5,0,0,0,1\n",
    "landmarks.csv": b"scan,implant,x_mm,y_mm,z_mm\ns1,I1,0,0,0\n",
    "events.csv": b"at,device,kind,note,new_baseline\n2026-01-15,A,service,none,true\n",
}
TOUCHES = {"study.toml": b'[reference]\ntouch_points = "reference/implants.csv"\n'}
MESHES = {
    "study.toml": b'[study]\ntitle = "A"\nkind = "validation"\n[scan_body.default]\n'
    b"cylinder = { radius_mm = 2, height_mm = 8 }\n",
    "scans.csv": b"scan,model,file\n",
    "reference/implants.csv": POSITIONS["reference/implants.csv"],
}
TABLES = {
    "scans.csv": b"scan,model,device,session,repeat,measured_at,temperature_c,note\n",
    "reference/implants.csv": POSITIONS["reference/implants.csv"].split(b"\n")[0] + b"\n",
    "poses.csv": POSITIONS["poses.csv"].split(b"\n")[0] + b"\n",
    "landmarks.csv": b"scan,implant,x_mm,y_mm,z_mm\n",
    "events.csv": b"at,device,kind,note,new_baseline\n",
    "touch_points": b"model,implant,feature,x_mm,y_mm,z_mm\n",
    "sketch": b"model,implant,x_mm,y_mm,z_mm\n",
}

Special = Callable[[Path], None]
Case = tuple[dict[str, "bytes | Special"], tuple[str, ...]]


def filled(row: Callable[[int], bytes], head: bytes = b"") -> bytes:
    """Rows up to 2 MB."""
    out, size = [head], len(head)
    for k in range(MB):
        line = row(k)
        size += len(line)
        if size > MB:
            break
        out.append(line)
    return b"".join(out)


def texts(head: bytes, *, signs: bool = True) -> Iterator[tuple[str, bytes]]:
    """Tables of any kind: `head` is their first line; `signs` brings one sign without end, too."""
    n = head.count(b",") + 1
    cells = [b"%d" % (k % 3) for k in range(n)]
    full = b",".join(cells) + b"\n"

    def each(cell: Callable[[int], bytes], sign: bytes = b",") -> bytes:
        return filled(lambda k: sign.join([cell(k)] * n) + b"\n", head.replace(b",", sign))

    for name, sign in {
        "commas": b",", "semicolons": b";", "tabs": b"\t", "lines": b"\n", "returns": b"\r",
        "quotes": b'"', "quoted lines": b'"\n', "nothing": b"\0", "blanks": b" ", "ff": b"\xff",
        "marks": b"\xef\xbb\xbf", "dos end": b"\x1a", "digits": b"1", "minus": b"-", "one": b"a",
        "two quotes": b'"",', "open": b'",', "zero width": "\u200b".encode(), "dots": b".",
        "brackets": b"[", "vertical": b"\x0b", "next line": "\u2028".encode(),
    }.items():  # fmt: skip
        if not signs:
            break
        yield name, sign * (MB // len(sign))
        yield f"{name} below a header", head + sign * ((MB - len(head)) // len(sign))
        yield f"{name} in a row", head + b"1" + sign * ((MB - len(head)) // len(sign)) + b"1\n"
    yield "unclosed", head + b'"' + b"a,b\n" * (MB // 4 - 50)
    yield "same rows", filled(lambda k: full, head)
    yield "short rows", filled(lambda k: b"a\n", head)
    yield "numbered", each(lambda k: b"%d" % k)
    yield "names", each(lambda k: b"s%d" % k)
    yield "sentences", each(lambda k: b"a b c %d" % k)
    yield "semicolons and commas", each(lambda k: b"%d,5" % k, b";")
    yield "both decimals", each(lambda k: b"1.5" if k % 2 else b"%d,5" % k, b";")
    yield "letters", each(lambda k: bytes([97 + k % 26, 97 + k // 26 % 26, 97 + k // 676 % 26]) * 2)
    yield "slips", each(lambda k: b"device%s" % bytes([97 + k // 9 % 26]) * 3)
    yield "long slips", each(lambda k: b"a" * (k // 3 % 90) + b"b" + b"a" * (90 - k // 3 % 90))
    yield "case", each(lambda k: bytes(97 + i if k >> i & 1 else 65 + i for i in range(17)))
    yield "zeros", each(lambda k: b"0" * (k % 60) + b"1")
    yield "look-alikes", each(lambda k: f"dev\u0456ce{k}".encode())
    yield "invisible", each(lambda k: f"dev\u200bice{k}".encode())
    yield "formulas", each(lambda k: b"=1+%d" % k)
    yield "odd numbers", each(lambda k: b"1'234'%d" % k)
    yield "with units", each(lambda k: b"%d mm" % k)
    yield "huge numbers", each(lambda k: b"1e%d" % (k + 300))
    yield "tiny numbers", each(lambda k: b"1e-%d" % (k + 300))
    yield "thousand digits", each(lambda k: b"%d" % k * 1000)
    yield "dates", each(lambda k: b"2026-%02d-%02d" % (k % 14, k % 33))
    yield "days", each(lambda k: b"%04d-01-01" % (k % 10_000))
    yield "not a number", each(lambda k: b"nan")
    yield "line breaks", each(lambda k: b'"a\n%d"' % k)
    yield "one cell", head + b"a" * 130_000 + b",1\n"
    yield "one cell that is too long", head + b"a" * (MB - 99) + b",1\n"
    yield "long number", head + b"1" * 130_000 + b",1\n"
    yield "regular", head + (b"1" + b"-" * 120_000 + b"1,") * 9 + b"\n"
    yield "columns", b",".join(b"c%d" % k for k in range(200_000)) + b"\n1\n"
    yield "few columns", head[:-1] + b"".join(b",c%d" % k for k in range(480)) + b"\n" + (
        (full[:-1] + b",1" * 480 + b"\n") * 1_900)  # fmt: skip
    yield "labels", head[:-1] + b"".join(b",c%d" % k for k in range(480)) + b"\n" + b"".join(
        full[:-1] + b",a%d" % k * 480 + b"\n" for k in range(600))  # fmt: skip
    yield "same columns", head[:-1] + b",a" * 400_000 + b"\n"
    yield "wide rows", head + full[:-1] + b"," * (MB // 2) + b"1\n"
    yield "utf-16", (head + full * 9).decode().encode("utf-16")
    yield "utf-16 cut", (head + full * 9).decode().encode("utf-16")[:-1]
    yield "utf-16 big", filled(lambda k: full, head).decode().encode("utf-16-be")[:MB]
    yield "utf-32", (head + full).decode().encode("utf-32")
    yield "western", head + b"\xe4\xf6\xfc," * (MB // 4)
    yield "carriage returns", filled(lambda k: full, head).replace(b"\n", b"\r")
    yield "windows lines", filled(lambda k: full, head).replace(b"\n", b"\r\n")[:MB]
    yield "surrogates", head + b"\xed\xa0\x80," * 9
    yield "random", os.urandom(MB)
    yield "compressed", gzip.compress(filled(lambda k: full, head))
    yield "header far down", b"x\n" * 400_000 + head + full
    yield "apostrophes", filled(lambda k: b"'" * 9 + b",", head)


def settings() -> Iterator[tuple[str, bytes]]:
    """study.toml, up to what it may have and beyond."""
    head = b'[study]\ntitle = "A"\nkind = "validation"\n'
    for size in (499_000, MB):
        for name, sign in {
            "brackets": b"[", "braces": b"a={", "dots": b"a.", "spaces": b" ", "quotes": b'"',
            "ticks": b"'", "hash": b"#", "lines": b"\n", "backslashes": b"\\", "digits": b"9",
            "equals": b"=", "returns": b"\r", "underscores": b"1_", "tables": b"[a]\n",
            "arrays": b"[[model]]\n", "keys": b"a=1\n", "commas": b",", "minus": b"-",
        }.items():  # fmt: skip
            yield f"{name} {size}", head + sign * ((size - len(head)) // len(sign))
            if size == MB or sign not in (b"[", b"a={", b"a.", b'"', b"\\", b"9", b"1_", b" "):
                continue
            for start in (b"a = ", b'a = "', b"[limits]\ncoverage = ", b"a = [", b"[a."):
                end = (size - len(head)) // len(sign) - 20
                yield f"{name} {size} after {start.decode()!r}", head + start + sign * end + b"\n"
        each = {
            "unknown keys": lambda k: b"key%d = 1\n" % k,
            "unknown tables": lambda k: b"[t%d]\n" % k,
            "bodies": lambda k: b"[scan_body.b%d]\n" % k,
            "bodies of meshes": lambda k: b'[scan_body.b%d]\nmesh = "b%d.stl"\n' % (k, k),
            "cylinders": lambda k: b"[scan_body.b%d]\ncylinder={radius_mm=2,height_mm=8}\n" % k,
            "models": lambda k: b'[[model]]\nname="m%d"\nresponse="pair.distance_um"\n' % k,
            "columns": lambda k: b'[scans.columns]\na%d = "b"\n' % k if not k else b'a%d = "b"\n' % k,
            "quoted keys": lambda k: b'"a%d b" = 1\n' % k,
            "deep keys": lambda k: b".".join([b"a%d" % k] * 150) + b" = 1\n",
            "deep tables": lambda k: b"[" + b".".join([b"a%d" % k] * 150) + b"]\n",
        }  # fmt: skip
        for name, line in each.items():
            yield f"{name} {size}", filled(line, head)[:size].rpartition(b"\n")[0] + b"\n"
    yield "terms", head + b'[[model]]\nname="m"\nresponse="pair.distance_um"\nfixed="' + (
        b"*".join(b"a%d" % k for k in range(60))) + b'"\n'  # fmt: skip
    yield "long formula", head + b'[[model]]\nname="m"\nresponse="pair.distance_um"\nfixed="' + (
        b" + ".join(b"a%d" % k for k in range(50_000))) + b'"\n'  # fmt: skip
    yield (
        "brackets of a formula",
        head + b'[[model]]\nname="m"\nresponse="' + b"log(" * 90_000 + b'"\n',
    )
    yield "random effects", head + b'[[model]]\nname="m"\nresponse="pair.distance_um"\nrandom=[' + (
        b",".join(b'"a%d"' % k for k in range(40_000))) + b"]\n"  # fmt: skip
    yield (
        "datum",
        head + b"[analysis]\ndatum = [" + b",".join(b'"I%d"' % k for k in range(40_000)) + b"]\n",
    )
    yield "spans", head + b"[limits]\nspans_at_um = [" + b"1," * 200_000 + b"]\n"
    yield "infinite", head + b'[limits]\ndistance_um = { value = inf, source = "x" }\n'
    yield (
        "huge",
        head + b"[limits]\ndistance_um = { value = 1" + b"0" * 4_000 + b', source = "x" }\n',
    )
    yield "pattern", head + b'[reference.columns]\nx_mm = "' + b"a".join(
        b"{%s}" % w for w in (b"implant", b"model", b"feature", b"run")) * 1 + b'"\n'  # fmt: skip
    yield "title", head.replace(b'"A"', b'"' + b"A" * 400_000 + b'"')
    yield "old line ends", head.replace(b"\n", b"\r")
    yield "utf-16", head.decode().encode("utf-16")
    yield "not utf-8", head + b"\xff"
    yield "nul", head + b"\0"
    yield "binary", os.urandom(300_000)
    yield "header rows", head + b"[scans]\nheader_row = [" + b"1," * 150_000 + b"]\n"
    yield "selected rows", head + b"[scans.rows]\nscan = [" + b'"a",' * 100_000 + b"]\n"


def workbook(**more: tuple[bytes, bytes]) -> bytes:
    """A workbook of two rows; `more` puts text before the end of a part."""
    import openpyxl

    book = openpyxl.Workbook()
    book.active.append(["scan", "model"])
    book.active.append(["s1", "M"])
    first, out = io.BytesIO(), io.BytesIO()
    book.save(first)
    with zipfile.ZipFile(first) as given, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for name in given.namelist():
            text = given.read(name)
            for part, (end, added) in more.items():
                if part in name:
                    text = text.replace(end, added + end, 1)
            made.writestr(name, text)
    return out.getvalue()


def zipped(files: dict[str, bytes], mode: int = zipfile.ZIP_DEFLATED) -> bytes:
    """An archive."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", mode) as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return out.getvalue()


def workbooks() -> Iterator[tuple[str, bytes]]:
    """Workbooks: what an archive, XML and cells can hide."""
    end = b"</sheetData>"
    sheet = {
        "far row": b'<row r="1048576"><c r="A1048576"><v>1</v></c></row>',
        "row beyond": b'<row r="99999999"><c r="A99999999"><v>1</v></c></row>',
        "row of many digits": b'<row r="' + b"9" * 5_000 + b'"><c><v>1</v></c></row>',
        "far column": b'<row r="3"><c r="XFD3"><v>1</v></c></row>',
        "column beyond": b'<row r="3"><c r="ZZZZZZ3"><v>1</v></c></row>',
        "far columns": b"".join(b'<row r="%d"><c r="XFD%d"><v>1</v></c></row>' % (k, k)
                                for k in range(3, 3_000)),
        "some far columns": b"".join(b'<row r="%d"><c r="SF%d"><v>1</v></c></row>' % (k, k)
                                     for k in range(3, 9_000)),
        "rows with gaps": b"".join(b'<row r="%d"><c><v>1</v></c></row>' % (k * 100)
                                   for k in range(1, 10_000)),
        "rows backwards": b"".join(b'<row r="%d"><c><v>1</v></c></row>' % k
                                   for k in range(90_000, 3, -1)),
        "some rows": b"".join(b'<row r="%d"><c t="n"><v>%d</v></c></row>' % (k, k)
                                   for k in range(3, 60_000)),
        "string beyond": b'<row r="3"><c t="s"><v>99999999</v></c></row>',
        "negative string": b'<row r="3"><c t="s"><v>-1</v></c></row>',
        "long text": b'<row r="3"><c t="inlineStr"><is><t>' + b"a" * 15_000_000 + b"</t></is></c></row>",
        "long number": b'<row r="3"><c><v>' + b"9" * 400_000 + b"</v></c></row>",
        "number of an exponent": b'<row r="3"><c><v>1e999</v></c></row>',
        "error": b'<row r="3"><c t="e"><v>#REF!</v></c></row>',
        "date beyond": b'<row r="3"><c t="d"><v>9999-99-99</v></c></row>',
        "unknown type": b'<row r="3"><c t="zz"><v>1</v></c></row>',
        "unknown style": b'<row r="3"><c s="99999"><v>1</v></c></row>',
        "nested": b"<x>" * 200_000,
        "attributes": b"<row " + b" ".join(b'a%d="1"' % k for k in range(200_000)) + b"></row>",
        "same attributes": b'<row r="3" r="3"></row>',
        "long name": b"<" + b"a" * 9_000_000 + b"/>",
        "comments": b"<!--" + b"-x" * 5_000_000 + b"-->",
        "instructions": b"<?a b?>" * 900_000,
        "entities": b"&amp;" * 2_000_000,
        "unknown entity": b"&lol;",
        "many texts": b"".join(b'<row><c t="inlineStr"><is><t>s%d</t></is></c></row>' % k
                               for k in range(150_000)),
        "namespaces": b"".join(b'<a xmlns:n%d="x"/>' % k for k in range(150_000)),
        "cells of a row": b'<row r="3">' + b"<c><v>1</v></c>" * 150_000 + b"</row>",
        "hidden": b'<row hidden="1"><c><v>1</v></c></row>' * 100_000,
        "array formula": b'<row r="3"><c><f t="array" ref="A1:XFD1048576">1</f></c></row>',
        "shared formula": b'<row><c><f t="shared" si="0" ref="A1:B2">A1</f><v>1</v></c></row>' * 90_000,
    }  # fmt: skip
    for name, text in sheet.items():
        yield name, workbook(sheet1=(end, text))
    merged = b"<mergeCells>" + b'<mergeCell ref="A1:B1048576"/>' * 9_000 + b"</mergeCells>"
    yield "merged", workbook(sheet1=(b"</worksheet>", sheet["some rows"] + merged))
    yield "merged rows", workbook(sheet1=(end, sheet["some rows"] + end + merged + b"<sheetData>"))
    lol = b'<!DOCTYPE l [<!ENTITY a "aaaaaaaaaa">' + b"".join(
        b'<!ENTITY a%d "%s">' % (k, (b"&a%d;" % (k - 1) if k else b"&a;") * 10) for k in range(9)
    ) + b"]>"  # fmt: skip
    quadratic = b'<!DOCTYPE l [<!ENTITY a "' + b"a" * 50_000 + b'">]>'
    outside = b'<!DOCTYPE l [<!ENTITY a SYSTEM "file:///etc/passwd">]>'
    for name, kind, use in (
        ("laughs", lol, b"&a8;"), ("quadratic", quadratic, b"&a;" * 50_000), ("outside", outside, b"&a;")
    ):  # fmt: skip
        for part in ("sheet1", "sharedStrings", "styles", "workbook"):
            files = _parts(workbook())
            files.setdefault("xl/sharedStrings.xml", b"<sst></sst>")
            for n, b in list(files.items()):
                if part in n and not n.endswith(".rels"):
                    b = b.partition(b"?>\n")[2] or b
                    files[n] = kind + b.replace(b"<v>", b"<v>" + use, 1).replace(
                        b"</sst>", b"<si><t>" + use + b"</t></si></sst>")  # fmt: skip
            yield f"{name} in {part}", zipped(files)
    yield "many files", zipped(_parts(workbook()) | {f"a{k}": b"" for k in range(15_000)})
    yield "many sheets", zipped(_parts(workbook()) | {
        f"xl/worksheets/a{k}.xml": b"<worksheet/>" for k in range(8_000)})  # fmt: skip
    yield "named sheets", workbook(**{"workbook.xml": (b"</sheets>", b"".join(
        b'<sheet name="s%d" sheetId="%d" r:id="rId1"/>' % (k, k) for k in range(2, 40_000)))})  # fmt: skip
    yield "defined names", workbook(**{"workbook.xml": (b"</sheets>", b"</sheets><definedNames>"
        + b"".join(b'<definedName name="n%d">1</definedName>' % k for k in range(90_000))
        + b"</definedNames><sheets>")})  # fmt: skip
    yield "formats", workbook(styles=(b"</cellXfs>", b'<xf numFmtId="14"/>' * 300_000))
    yield "fonts", workbook(styles=(b"</fonts>", b"<font/>" * 800_000))
    yield "strings", zipped(_parts(workbook()) | {
        "xl/sharedStrings.xml": b"<sst>" + b"<si><t>x</t></si>" * 900_000 + b"</sst>"})  # fmt: skip
    yield "one string", zipped(_parts(workbook()) | {
        "xl/sharedStrings.xml": b"<sst><si><t>" + b"x" * 18_000_000 + b"</t></si></sst>"})  # fmt: skip
    yield "parts of a string", zipped(_parts(workbook()) | {
        "xl/sharedStrings.xml": b"<sst><si>" + b"<r><t>x</t></r>" * 900_000 + b"</si></sst>"})  # fmt: skip
    yield "relations", zipped(_parts(workbook()) | {"xl/_rels/workbook.xml.rels":
        b'<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">'
        + b"".join(b'<Relationship Id="r%d" Type="a" Target="b"/>' % k for k in range(200_000))
        + b"</Relationships>"})  # fmt: skip
    yield "types", zipped(_parts(workbook()) | {"[Content_Types].xml":
        b'<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">'
        + b'<Default Extension="a" ContentType="b"/>' * 300_000 + b"</Types>"})  # fmt: skip
    yield "properties", zipped(_parts(workbook()) | {"docProps/core.xml": b"<a>" * 3_000_000})
    yield "zeros", zipped({"xl/workbook.xml": bytes(1_900_000_000 // 10)})
    yield "stored", zipped({"a": bytes(MB - 200)}, zipfile.ZIP_STORED)
    yield "bzip2", zipped({"xl/workbook.xml": bytes(900_000_000)}, zipfile.ZIP_BZIP2)
    yield "lzma", zipped({"xl/workbook.xml": bytes(300_000_000)}, zipfile.ZIP_LZMA)
    yield "overlapping", _overlapping(workbook())
    lying = bytearray(zipped({"xl/worksheets/sheet1.xml": bytes(900_000_000)}))
    at = lying.rfind(b"PK\x01\x02")
    lying[at + 24 : at + 28] = struct.pack("<I", 100)
    yield "size that lies", bytes(lying)
    yield "no archive", b"PK\x03\x04" + os.urandom(MB - 9)
    yield "empty archive", zipped({})
    yield "cut", workbook()[:-40]
    yield "comment", workbook()[:-2] + struct.pack("<H", 60_000) + b"a" * 60_000
    yield "many ends", workbook() + b"PK\x05\x06" * 400_000
    yield "path", zipped(_parts(workbook()) | {"../../../tmp/accstudy-was-here": b"x"})
    yield "same name twice", workbook() and zipped(_parts(workbook()))
    flagged = bytearray(workbook())
    for at in range(len(flagged) - 4):
        if flagged[at : at + 4] == b"PK\x01\x02":
            flagged[at + 8] |= 1
    yield "encrypted", bytes(flagged)


def _parts(book: bytes) -> dict[str, bytes]:
    with zipfile.ZipFile(io.BytesIO(book)) as archive:
        return {n: archive.read(n) for n in archive.namelist()}


def _overlapping(book: bytes) -> bytes:
    """An archive whose directory names one packed file a thousand times."""
    big = zipped({"xl/worksheets/s.xml": bytes(15_000_000)})
    at = big.rfind(b"PK\x01\x02")
    entry = big[at : big.rfind(b"PK\x05\x06")]
    start = at
    return (
        big[:at] + entry * 1_000
        + b"PK\x05\x06" + struct.pack("<HHHHIIH", 0, 0, 1_000, 1_000, len(entry) * 1_000, start, 0)
    )  # fmt: skip


def meshes() -> Iterator[tuple[str, bytes]]:
    """STL, PLY and OBJ, and what these unpack to."""
    ply = (b"ply\nformat %s 1.0\nelement vertex %d\nproperty float x\nproperty float y\n"
           b"property float z\nelement face %d\nproperty list uchar int vertex_indices\nend_header\n")  # fmt: skip
    facet = b"facet normal 0 0 1\nouter loop\nvertex 0 0 0\nvertex 1 0 0\nvertex 0 1 0\nendloop\nendfacet\n"
    body = {  # made one after the other: a fork counts what its parent holds
        "stl": {
            "facets": lambda: b"solid\n" + facet * 400_000, "solids": lambda: b"solid\nendsolid\n" * 2_500_000,
            "binary": lambda: bytes(80) + struct.pack("<I", 800_000) + bytes(40_000_000),
            "binary noise": lambda: bytes(80) + struct.pack("<I", 39_000) + os.urandom(39_000 * 50),
            "too many": lambda: bytes(80) + b"\xff" * 4 + bytes(MB - 90), "vertices": lambda: b"solid\n" + b"vertex 1 2 3 " * 999_999,
            "words": lambda: b"solid\n" + b"facet " * 9_000_000, "line": lambda: b"solid " + b"a" * 40_000_000,
            "numbers": lambda: b"solid\nfacet normal 0 0 1 outer loop vertex " + b"1" * 40_000_000,
            "no end": lambda: b"solid\n" + facet * 9 + b"endsolid " * 9_000_000,
            "one point": lambda: b"solid\n" + facet.replace(b"1", b"0") * 300_000 + b"endsolid\n",
            "huge": lambda: b"solid\n" + facet.replace(b"1 0", b"1e38 0") * 100_000 + b"endsolid\n",
        },
        "ply": {
            "elements": lambda: ply[:22] % b"ascii" + b"element a 1\n" * 3_000_000, "vertices": lambda: ply % (b"ascii", 9**9, 1),
            "faces": lambda: ply % (b"binary_little_endian", 3, 2**31) + bytes(MB),
            "zeros": lambda: ply % (b"binary_little_endian", 3_000_000, 1) + bytes(40_000_000),
            "lists": lambda: ply % (b"binary_little_endian", 1, 9_000_000) + bytes(40_000_000),
            "text": lambda: ply % (b"ascii", 3_000_000, 1) + b"0 0 0\n" * 5_000_000,
            "text faces": lambda: ply % (b"ascii", 3, 4_000_000) + b"0 0 0\n0 1 0\n1 0 0\n" + b"3 0 1 2\n" * 4_000_000,
            "polygon": lambda: ply % (b"ascii", 3, 1) + b"0 0 0\n0 1 0\n1 0 0\n255 " + b"0 " * 9_000_000,
            "comments": lambda: b"ply\n" + b"comment\n" * 4_000_000, "line": lambda: b"ply\ncomment " + b"a" * 40_000_000,
            "digits": lambda: ply[:60] % (b"ascii", 1) + b"9" * 1_000_000 if False else b"ply\nformat ascii 1.0\nelement vertex " + b"9" * 1_900_000,
            "fans": lambda: ply % (b"binary_little_endian", 3, 150_000) + bytes(36) + (b"\xff" + bytes(1020)) * 38_000,
        },
        "obj": {
            "corners": lambda: b"v 0 0 0\n" * 5_000_000, "faces": lambda: b"v 0 0 0\nv 1 0 0\nv 0 1 0\n" + b"f 1 2 3\n" * 4_000_000,
            "polygon": lambda: b"v 0 0 0\nv 1 0 0\nv 0 1 0\nf" + b" 1 2 3" * 6_000_000, "joined": lambda: b"v 0 0 0\\\n" * 4_000_000,
            "groups": lambda: b"g\n" * 20_000_000, "lines": lambda: b"\n" * 40_000_000, "returns": lambda: b"\r" * 40_000_000,
            "slashes": lambda: b"f " + b"/" * 40_000_000, "far": lambda: b"v 0 0 0\nf 1 1 " + b"9" * 30_000_000,
            "minus": lambda: b"v 0 0 0\nf" + b" -" * 20_000_000, "numbers": lambda: b"v " + b"1" * 40_000_000,
            "squares": lambda: b"v 0 0 0\nv 1 0 0\nv 0 1 0\nv 1 1 0\n" + b"f 1 2 3 4\n" * 4_000_000,
            "mixed": lambda: (b"v 0 1 0\nf -1 -1 -1\n") * 2_000_000, "comments": lambda: b"#\n" * 20_000_000,
            "backslashes": lambda: b"\\\n" * 20_000_000, "numbered": lambda: b"".join(b"v %d 0 %d\n" % (k, k * k) for k in range(100_000)),
        },
    }  # fmt: skip
    for kind, files in body.items():
        for name, make in files.items():
            data = make()
            yield f"{name}.{kind}", data[:MB]
            packed = gzip.compress(data, 9)
            del data
            if len(packed) <= MB:
                yield f"{name}.{kind}.gz", packed
        yield f"noise.{kind}", os.urandom(MB)
        yield f"nothing.{kind}", b""
        yield f"members.{kind}.gz", gzip.compress(b"") * 90_000
        yield f"twice.{kind}.gz", gzip.compress(gzip.compress(bytes(900_000_000)))
        yield f"zeros.{kind}.gz", gzip.compress(bytes(900_000_000))
        yield f"cut.{kind}.gz", gzip.compress(os.urandom(900_000))[:-9]
        yield f"name.{kind}.gz", b"\x1f\x8b\x08\x08" + bytes(6) + b"a" * (MB - 20)
        yield f"extra.{kind}.gz", b"\x1f\x8b\x08\x04" + bytes(6) + b"\xff\xff" + bytes(65_535)
        yield f"utf-16.{kind}", ("solid\n" * 99_999).encode("utf-16")


def link(to: str) -> Special:
    """A link in the place of a file."""
    return lambda path: path.symlink_to(to)


def fifo(path: Path) -> None:
    """A pipe that nobody writes into."""
    os.mkfifo(path)


def locked(path: Path) -> None:
    """A file that may not be read (but by root)."""
    path.write_bytes(b"x")
    path.chmod(0)


ODD: dict[str, Special] = {
    "folder": Path.mkdir,
    "fifo": fifo,
    "link to itself": lambda path: path.symlink_to(path),
    "link to nothing": link("nothing"),
    "link to the folder": link("."),
    "link out": link("/etc/passwd"),
    "link to a device": link("/dev/zero"),
    "link without end": link("/dev/urandom"),
    "link to a terminal": link("/dev/stdin"),
    "locked": locked,
    "empty": lambda path: path.write_bytes(b"") and None,
}


def _wanted(name: str, only: str) -> bool:
    """Whether cases whose names begin so are to be made at all."""
    return name.startswith(only) or only.startswith(name)


def cases(only: str = "") -> Iterator[tuple[str, Case]]:
    """Every file in its study, with the commands that read it."""
    for table, head in TABLES.items():
        if not _wanted(table, only):
            continue
        base = dict(POSITIONS)
        name = table
        if table == "touch_points":
            name = "reference/implants.csv"
            base["study.toml"] += TOUCHES["study.toml"]
        elif table == "sketch":
            name = "sketch.csv"
            base["study.toml"] += b'[reference]\nkind = "none"\nsketch = "sketch.csv"\n'
        for what, data in texts(head, signs=table == "scans.csv"):
            yield f"{table}: {what}", ({**base, name: data}, ("check",))
        for what, odd in ODD.items():
            yield f"{table}: {what}", ({**base, name: odd}, ("run",))
    mapped = (b'columns = { x_mm = "{implant}a{model}a{run}a{scan_body}", y_mm = "Y", z_mm = "Z" }\n',
              b'columns = { x_mm = "{implant} | X", y_mm = "{implant} | Y", z_mm = "{implant} | Z" }\n'
              b'label = ["model"]\n')  # fmt: skip
    if _wanted("layout", only):
        for k, layout in enumerate(mapped):
            toml = POSITIONS["study.toml"] + b"[reference]\nheader_row = 1\n" + layout
            for what, data in texts(b"model,implant," + b"a" * 250 + b"b,Y,Z\n", signs=False):
                yield f"layout {k}: {what}", (
                    {**POSITIONS, "study.toml": toml, "reference/implants.csv": data}, ("check",))  # fmt: skip
    if _wanted("study.toml", only):
        for what, data in settings():
            yield f"study.toml: {what}", ({**POSITIONS, "study.toml": data}, ("check",))
    if _wanted("study.toml", only):
        for what, odd in ODD.items():
            yield (
                f"study.toml: {what}",
                ({**POSITIONS, "study.toml": odd}, ("check", "run", "audit")),
            )
    if _wanted("xlsx", only):
        for what, data in workbooks():
            toml = POSITIONS["study.toml"].replace(b"[scans]", b'[scans]\nlist = "scans.xlsx"')
            yield (
                f"xlsx: {what}",
                ({**POSITIONS, "study.toml": toml, "scans.xlsx": data}, ("check",)),
            )
    if _wanted("scan", only) or _wanted("drawing", only):
        for what, data in meshes():
            scans = MESHES["scans.csv"] + f"s1,M,scans/{what}\n".encode()
            yield (
                f"scan: {what}",
                ({**MESHES, "scans.csv": scans, f"scans/{what}": data}, ("check", "list-scans")),
            )
            toml = MESHES["study.toml"].partition(b"cylinder")[0] + f'mesh = "{what}"\n'.encode()
            yield f"drawing: {what}", ({**MESHES, "study.toml": toml, what: data}, ("check",))
    if _wanted("scan", only):
        for what, odd in ODD.items():
            scans = MESHES["scans.csv"] + b"s1,M,scans/a.stl\n"
            yield f"scan: {what}", ({**MESHES, "scans.csv": scans, "scans/a.stl": odd},
                                    ("check", "run", "list-scans"))  # fmt: skip
    if _wanted("plan/order.json", only):
        for what, data in {
            "brackets": b"[" * 400_000, "braces": b'{"a":' * 200_000, "digits": b"9" * 900_000,
            "binary": os.urandom(900_000), "order": b'{"seed": 1, "order": 1}', "list": b"[]",
            "nothing": b"", "utf-16": '{"seed": 1}'.encode("utf-16"), "many": b'{"a":1,' * 100_000,
        }.items():  # fmt: skip
            yield (
                f"plan/order.json: {what}",
                ({**POSITIONS, "plan/order.json": data}, ("check", "run")),
            )
    if _wanted("plan/order.json", only):
        for what, odd in ODD.items():
            yield (
                f"plan/order.json: {what}",
                ({**POSITIONS, "plan/order.json": odd}, ("check", "run")),
            )


def run(files: dict[str, bytes | Special], command: str) -> tuple[int, float, float, str]:
    """Exit code, CPU seconds, bytes and output of a command on a study."""
    folder = Path(tempfile.mkdtemp(dir="/dev/shm" if Path("/dev/shm").is_dir() else None))
    try:
        for name, data in files.items():
            path = folder / "study" / name
            path.parent.mkdir(parents=True, exist_ok=True)
            if isinstance(data, bytes):
                path.write_bytes(data)
            else:
                data(path)
        child = os.fork()
        if not child:
            _in_child(folder, command)
        _, status, used = os.wait4(child, 0)
        code = os.waitstatus_to_exitcode(status)
        said = (folder / "said").read_text(errors="replace")
        return code, used.ru_utime + used.ru_stime, used.ru_maxrss * 1024.0, said
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _in_child(folder: Path, command: str) -> None:
    out = os.open(folder / "said", os.O_CREAT | os.O_WRONLY)
    os.dup2(out, 1), os.dup2(out, 2)
    os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
    resource.setrlimit(resource.RLIMIT_CPU, (40, 45))
    resource.setrlimit(resource.RLIMIT_AS, (6 << 30, 6 << 30))
    import signal

    signal.alarm(300)  # what waits, uses no CPU
    code = 1
    try:
        main([command, str(folder / "study")], prog_name="accstudy")
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 1
    except BaseException as error:
        print(f"{type(error).__name__}: {error}"[:500], file=sys.stderr)
    sys.stdout.flush()
    os._exit(code)


def sweep() -> int:
    """Run all cases and print what misses the bar."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", default="", help="Beginning of the names of the cases to run.")
    parser.add_argument("--worst", type=int, default=15, help="How many of the slowest to print.")
    asked = parser.parse_args()
    done, missed = [], 0
    for name, (files, commands) in cases(asked.only):
        if not name.startswith(asked.only):
            continue
        for command in commands:
            code, seconds, size, said = run(files, command)
            done.append((seconds, size, f"{name} ({command}): {code}"))
            if code not in (0, 3, 4, 5) or seconds > SECONDS or size > BYTES:
                missed += 1
                last = said.strip().splitlines()[:2]
                print(f"MISSED {name} ({command}): exit {code}, {seconds:.1f} s, {size / 1e6:.0f} MB",
                      *last, sep="\n    ", flush=True)  # fmt: skip
    print(f"{len(done)} commands, {missed} missed the bar; the slowest, and the largest:")
    for rank in (0, 1):
        for seconds, size, name in sorted(done, key=lambda d: -d[rank])[: asked.worst]:
            print(f"  {seconds:6.1f} s  {size / 1e6:6.0f} MB  {name}")
    return int(missed > 0)


if __name__ == "__main__":
    raise SystemExit(sweep())
