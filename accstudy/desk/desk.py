"""What one start of the desk holds, who may speak to it, and how its screens are made."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import hashlib
import hmac
import json
import os
import re
import secrets
import shutil
import tempfile
import time
import tomllib
import unicodedata
from collections.abc import AsyncIterator, Awaitable, Callable, Iterable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote

import jinja2
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.responses import (
    HTMLResponse,
    JSONResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
)
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from accstudy.desk.clerk import Clerk, Job, Jobs
from accstudy.desk.wording import figure_name, head, link_of, place_of, plain
from accstudy.errors import AccstudyError, InputError, OutputError
from accstudy.study.files import file_digest, read_own, resolve, write_files
from accstudy.words.catalogue import words

_OPENED = ".accstudy-desk.json"
_MOST_LISTED = 500
_RESERVED = re.compile(r"(con|prn|aux|nul|(com|lpt)[\d¹²³]) *(\..*)?$", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Opened:
    """A study on the shelf: its name in addresses, and its folder."""

    key: str
    path: Path

    @property
    def has_results(self) -> bool:
        """Whether it was run."""
        return (self.path / "results" / "record.json").is_file()

    @property
    def title(self) -> str:
        """Title that its settings give it; the folder's name where they cannot be read."""
        try:
            said = tomllib.loads(read_own(self.path / "study.toml").decode("utf-8-sig"))
            return str(said["study"]["title"] or self.path.name)
        except (OSError, ValueError, KeyError, TypeError):
            return self.path.name


def safe_name(name: str, *, folder: bool = False) -> str:
    """A file's name that every system takes, made of what the user's program called it.

    Examples
    --------
    >>> safe_name("../Scan 01 (Kopie) – Müller.STL")
    'Scan 01 (Kopie) – Müller.STL'
    """
    bare = re.split(r"[/\\]", unicodedata.normalize("NFC", name))[-1]
    kept = "".join("_" if c in '<>:"|?*' or not c.isprintable() else c for c in bare)
    kept = kept.strip(" .") if folder else kept.rstrip(" .").lstrip(" .~=+-@")
    if not kept or _RESERVED.match(kept) or len(kept.encode()) > 200:
        raise InputError(f'"{name[:80]}" cannot be the name of a file', hint="rename it")
    return kept


@dataclass
class Shelf:
    """The studies that are open: those in the desk's folder, and those opened elsewhere."""

    home: Path
    _elsewhere: list[Path] = field(default_factory=list)

    def __post_init__(self) -> None:
        try:
            found = json.loads(read_own(self.home / _OPENED))
            self._elsewhere = [Path(p) for p in found if isinstance(p, str)]
        except (OSError, ValueError, TypeError):
            self._elsewhere = []

    def studies(self) -> list[Opened]:
        """Every open study, those of the desk's folder first."""
        here = sorted(p for p in self.home.iterdir() if (p / "study.toml").is_file())
        if (self.home / "study.toml").is_file():
            here = [self.home, *here]
        there = [p for p in self._elsewhere if (p / "study.toml").is_file() and p not in here]
        return [Opened(_key(p), p) for p in (*here[:_MOST_LISTED], *there)]

    def find(self, key: str) -> Opened:
        """The study of an address; `InputError` where none is open under it."""
        for study in self.studies():
            if study.key == key:
                return study
        raise InputError("this study is not open", hint="open it on the first screen")

    def place(self, name: str) -> Path:
        """Folder of a new study."""
        return self.home / safe_name(name, folder=True)

    def open(self, folder: Path) -> Opened:
        """Open a study that lies elsewhere, and remember it."""
        if not (folder / "study.toml").is_file():
            raise InputError("there is no study.toml in this folder")
        if folder.parent != self.home and folder not in self._elsewhere:
            self._elsewhere.append(folder)
            names = json.dumps([str(p) for p in self._elsewhere], indent=1)
            write_files(self.home, {_OPENED: names.encode()})
        return Opened(_key(folder), folder)


def _key(path: Path) -> str:
    return hashlib.sha256(str(path).encode("utf-8", "surrogateescape")).hexdigest()[:12]


_MESHES = (".stl", ".ply", ".obj", ".stl.gz", ".ply.gz", ".obj.gz")
_TABLES = (".csv", ".tsv", ".txt", ".xlsx")
_FOREIGN = {
    b"%PDF": "a PDF", b"MZ": "a program", b"\x7fELF": "a program", b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture", b"Rar!": "an archive", b"7z\xbc\xaf": "an archive",
    b"<!DO": "a web page", b"<htm": "a web page",
}  # fmt: skip
_ZIP = b"PK\x03\x04"


@dataclass(frozen=True, slots=True)
class Place:
    """Where files of one sort go: folder in the study, endings, and the limit of their reader.

    A second file of a name gets a number (`kept_apart`), or is refused.
    """

    folder: str
    endings: tuple[str, ...]
    max_bytes: int
    kept_apart: bool = True


PLACES = {
    "reference": Place("reference", _TABLES, 100_000_000),
    "list": Place("", _TABLES, 100_000_000),
    "body": Place("scan_bodies", _MESHES, 200_000_000),
    "learn": Place("reference", _MESHES, 1_000_000_000),
    "scans": Place("scans", _MESHES, 1_000_000_000, kept_apart=False),
}


def largest(where: str) -> int:
    """Largest file that is taken somewhere, bytes."""
    return PLACES["scans" if where == "session" else where].max_bytes


def _checked(name: str, place: Place, size: int | None) -> str:
    kept = safe_name(name)
    if not kept.lower().endswith(place.endings):
        mend = f"bring one of: {', '.join(place.endings)}"
        if kept.lower().endswith((".zip", ".rar", ".7z")):
            mend = "unpack the archive, and bring the files that are in it"
        raise InputError(f'"{kept}" is not a file that is read here', hint=mend)
    if size is not None and size > place.max_bytes:
        raise InputError(
            f'"{kept}" has {size / 1e6:.0f} MB; files of up to {place.max_bytes / 1e6:g} MB are '
            "read", hint="export it with fewer triangles, or without colour",
        )  # fmt: skip
    return kept


def _sniffed(start: bytes, name: str) -> None:
    """Refuse what is plainly something else than its name says."""
    what = next((w for sign, w in _FOREIGN.items() if start.startswith(sign)), "")
    if start.startswith(_ZIP) and not name.lower().endswith(".xlsx"):
        what = "an archive"
    if what:
        raise InputError(f'"{name}" is {what}, despite its name', hint="export it again")


async def receive(
    study: Path,
    place: Place,
    name: str,
    stream: AsyncIterator[bytes],
    *,
    size: int | None = None,
    changed: float | None = None,
) -> tuple[str, bool]:
    """Write a file that comes in into the study, whole or not at all.

    What comes counts, whatever `size` was announced. Gives its path relative to the study, and
    whether it is new: the same bytes may be there already. `InputError` says why a file is not
    taken, `OutputError` why the disk does not take it.
    """
    kept = _checked(name, place, size)
    folder = resolve(study, place.folder or ".")
    aside = folder / f".{secrets.token_hex(8)}.part"
    try:
        folder.mkdir(exist_ok=True)
        digest, count = hashlib.sha256(), 0
        with aside.open("xb") as file:
            async for piece in stream:
                if count == 0:
                    _sniffed(piece[:64], kept)
                count += len(piece)
                _checked(kept, place, count)
                digest.update(piece)
                file.write(piece)
        if count == 0:
            raise InputError(f'"{kept}" is empty', hint="export it again")
        if changed is not None and 0 < changed < 4e9:
            os.utime(aside, (changed, changed))
        to = await _free(folder, kept, digest.hexdigest(), count, place)
        new = not to.exists()
        if new:
            os.replace(aside, to)
    except OSError as error:
        raise OutputError(
            f'"{kept}" cannot be written: {error.strerror}', hint="free space on the disk"
        ) from error
    finally:
        with contextlib.suppress(OSError):
            aside.unlink(missing_ok=True)
    return to.relative_to(study).as_posix(), new


async def _free(folder: Path, name: str, digest: str, size: int, place: Place) -> Path:
    """Path that is free, or holds the same bytes."""
    stem, dot, ending = name.partition(".") if name.count(".") == 1 else name.rpartition(".")
    for k in range(1, 1000):
        to = folder / (name if k == 1 else f"{stem} {k}{dot}{ending}")
        if not os.path.lexists(to):
            return to
        alike = to.is_file() and to.stat().st_size == size
        if alike and await asyncio.to_thread(file_digest, to) == digest:
            return to
        if not place.kept_apart:
            raise InputError(
                f'another file named "{name}" is in the study already', hint="rename the new one"
            )
    raise InputError(f'there are too many files named "{name}"', hint="rename it")


OWNER, BENCH = "owner", "bench"
"""What a visitor may do: everything; or only what is noted at the bench."""

_OPEN = ("/static/", "/enter")
_AT_BENCH = re.compile(r"/s/[0-9a-f]{12}/bench")
_TRIES, _PAUSE_S = 5, 30.0
_LARGEST_FORM = 20_000_000

_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "font-src 'self'; connect-src 'self'; frame-src 'self'; object-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'self'"
)
EXPLORE_POLICY = (
    "sandbox allow-scripts; default-src 'none'; script-src 'unsafe-inline'; "
    "style-src 'unsafe-inline'; img-src data: blob:; frame-ancestors 'self'"
)
"""For the page to explore: its own scripts, no request, and no way into the desk around it."""

_HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


@dataclass
class Keys:
    """Secrets of one start of the desk; nothing of them is written down."""

    passphrase: str = ""
    token: str = field(default_factory=lambda: secrets.token_urlsafe(32))
    _visitors: dict[str, str] = field(default_factory=dict)
    _wrong: list[float] = field(default_factory=list)

    def admit(self, role: str) -> str:
        """A visitor's cookie."""
        cookie = secrets.token_urlsafe(32)
        self._visitors[cookie] = role
        return cookie

    def role(self, cookie: str) -> str:
        """Role of a visitor; empty for a stranger."""
        return self._visitors.get(cookie, "")

    def is_token(self, text: str) -> bool:
        """Whether it is the token of the start link."""
        return hmac.compare_digest(text.encode(), self.token.encode())

    def is_passphrase(self, text: str) -> bool:
        """Whether it is the pass phrase; False for a while after five wrong ones."""
        now = time.monotonic()
        self._wrong = [at for at in self._wrong if now - at < _PAUSE_S]
        if not self.passphrase or len(self._wrong) >= _TRIES:
            return False
        good = hmac.compare_digest(text.strip().encode(), self.passphrase.encode())
        if not good:
            self._wrong.append(now)
        return good


class Door:
    """ASGI middleware before everything else."""

    def __init__(self, app: ASGIApp, keys: Keys, hosts: Iterable[str]) -> None:
        self.app, self.keys, self.hosts = app, keys, frozenset(hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request in, or answer it here."""
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        if scope["type"] != "http":  # there are no websockets
            await send({"type": "websocket.close", "code": 1008})
            return
        headers = Headers(scope=scope)
        answer = self._refusal(scope, headers)
        if answer is None:
            answer = self._greeting(scope, headers)

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    out[name] = value
                out.setdefault("content-security-policy", _POLICY)
            await send(message)

        await (answer or self.app)(scope, receive, guarded)

    def _refusal(self, scope: Scope, headers: Headers) -> ASGIApp | None:
        """What is answered to a request that does not come from a screen of the desk."""
        hosts = headers.getlist("host")
        if len(hosts) != 1 or hosts[0].lower() not in self.hosts:
            return PlainTextResponse("This address is not the desk's.", 421)
        origins = [o.lower() for o in headers.getlist("origin")]
        changes = scope["method"] not in ("GET", "HEAD")
        if (changes or origins) and origins != [f"http://{hosts[0].lower()}"]:
            return PlainTextResponse("Only the desk's own screens may do this.", 403)
        # a link may be followed from elsewhere; nothing may be fetched or framed from there
        site, mode = headers.get("sec-fetch-site", ""), headers.get("sec-fetch-mode", "")
        framed = headers.get("sec-fetch-dest", "document") != "document"
        if site in ("cross-site", "same-site") and (mode != "navigate" or framed):
            return PlainTextResponse("Only the desk's own screens may do this.", 403)
        size = headers.get("content-length", "")
        if changes and "/upload/" not in scope["path"]:
            if not size.isdecimal() or "transfer-encoding" in headers:
                return PlainTextResponse("The length of the form is not stated.", 411)
            if int(size) > _LARGEST_FORM:
                return PlainTextResponse("The form is too large.", 413)
        return None

    def _greeting(self, scope: Scope, headers: Headers) -> ASGIApp | None:
        """Admit whoever has the token; send strangers away; tell the desk who is there."""
        given = parse_qs(scope["query_string"].decode("latin-1")).get("token", [""])[0]
        if given and scope["method"] == "GET":
            if not self.keys.is_token(given):
                return PlainTextResponse("This link is of an earlier start of the desk.", 403)
            return self.welcome(OWNER, headers["host"])
        try:
            jar = SimpleCookie(headers.get("cookie", ""))
        except CookieError:
            jar = SimpleCookie()
        name = _cookie(headers["host"])
        cookie = jar[name].value if name in jar else ""
        role = self.keys.role(cookie)
        scope.setdefault("state", {})["role"] = role
        scope["state"]["door"] = self
        path = scope["path"]
        if path.startswith(_OPEN):
            return None
        if not role:
            if self.keys.passphrase:
                return RedirectResponse("/enter", 303)
            return PlainTextResponse(
                "Open the desk by its start file, or by the link that it printed.", 403
            )
        if role == BENCH and path != "/" and not _AT_BENCH.fullmatch(path):
            return PlainTextResponse("From here only the bench can be used.", 403)
        return None

    def welcome(self, role: str, host: str) -> HTMLResponse:
        """Answer that gives a visitor a cookie and leads on.

        It is a page of its own: a redirect would belong to the page whose link was followed,
        and a strict cookie is not sent then.
        """
        answer = HTMLResponse('<meta http-equiv="refresh" content="0; url=/"><a href="/">Desk</a>')
        answer.set_cookie(_cookie(host), self.keys.admit(role), httponly=True, samesite="strict")
        return answer


def _cookie(host: str) -> str:
    """Name of the cookie: two desks on one machine differ by their port alone."""
    return f"accstudy-desk-{host.rpartition(':')[2]}"


_HERE = Path(__file__).parent
_STEPS = (
    ("question", "Question"), ("reference", "Reference"), ("body", "Scan body"),
    ("plan", "Plan"), ("scans", "Scans"), ("check", "Check"), ("run", "Run"),
    ("results", "Results"),
)  # fmt: skip


class Desk:
    """What one start of the desk holds: the open studies, and who works on them."""

    def __init__(self, shelf: Shelf) -> None:
        self.shelf = shelf
        self.clerk, self.slow = Clerk(), Clerk(rests_after_s=20.0)
        self.jobs = Jobs()
        self.notes: dict[Path, list[str]] = {}
        self.inbox = Path(tempfile.mkdtemp(prefix="accstudy-desk-"))
        self.templates = jinja2.Environment(
            loader=jinja2.FileSystemLoader(_HERE / "templates"), autoescape=True,
            trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined,
        )  # fmt: skip
        self.templates.globals |= {
            "link_of": link_of, "largest": largest, "choices": words("desk.choices"),
        }  # fmt: skip
        self.templates.filters |= {
            "plain": plain, "head": head, "place": place_of, "figure_name": figure_name,
            "upfirst": lambda text: text[:1].upper() + text[1:],
        }  # fmt: skip

    async def end(self) -> None:
        """Leave off all work."""
        await self.jobs.end()
        await self.clerk.end()
        await self.slow.end()
        shutil.rmtree(self.inbox, ignore_errors=True)

    def page(self, name: str, status: int = 200, **given: Any) -> HTMLResponse:
        """Fill a template."""
        usual: dict[str, Any] = {
            "everything": False,
            "steps": _STEPS,
            "study": None,
            "findings": (),
            "notes": (),
        }
        return HTMLResponse(self.templates.get_template(name).render(usual | given), status)

    async def screen(self, study: Opened, step: str, **given: Any) -> HTMLResponse:
        """A screen of a study, with its title and the notes that wait."""
        form = given.pop("form", None) or await self.clerk.ask("form", study=study.path, name=step)
        findings = given.pop("findings", ())
        return self.page(
            f"{step}.html", 422 if findings else 200, study=study, step=step, form=form,
            findings=findings, notes=self.notes.pop(study.path, []), **given,
        )  # fmt: skip

    def note(self, study: Opened, text: str) -> None:
        """Have something said on the next screen."""
        self.notes.setdefault(study.path, []).append(text)

    async def checked(self, study: Opened) -> Job:
        """The check of the study as it is now; it begins where its files are others."""
        now = stamp(study.path)
        last = self.jobs.last.get((study.path, "check"))
        if last is None or last.inputs != now or last.state == "cancelled":
            job = self.jobs.start(study.path, "check", inputs=now)
            return job
        return last


def stamp(study: Path) -> str:
    """What changes whenever a file of the study does: names, sizes and times, nothing read."""
    found = []
    for top, folders, files in os.walk(study):
        own = ("results", "reports", ".accstudy", "plan")
        folders[:] = [f for f in folders if not (Path(top) == study and f in own)]
        for name in files:
            if not name.endswith(".part"):
                there = os.stat(Path(top, name), follow_symlinks=False)
                found.append(f"{top}/{name} {there.st_size} {there.st_mtime_ns}")
    return "\n".join(sorted(found))


def in_words(seconds: int | None) -> str:
    """A time still to wait.

    Examples
    --------
    >>> in_words(40), in_words(61), in_words(7300)
    ('less than a minute', 'about 1 min', 'about 2 h 2 min')
    """
    if seconds is None:
        return ""
    minutes = round(seconds / 60)
    if seconds < 60:
        return "less than a minute"
    hours = f"{minutes // 60} h " if minutes >= 60 else ""
    return f"about {hours}{minutes % 60} min"


Answer = Awaitable[Response]


def screen(function: Callable[[Desk, Opened, Request], Answer]) -> Callable[[Request], Answer]:
    """A route of one study; what it refuses is shown in words."""

    @functools.wraps(function)
    async def route(request: Request) -> Response:
        desk: Desk = request.app.state.desk
        study = None
        try:
            study = desk.shelf.find(request.path_params["key"])
            return await function(desk, study, request)
        except ClientDisconnect:  # nobody reads what is answered
            return Response(status_code=400)
        except AccstudyError as error:
            if request.headers.get("accept") == "application/json":
                return JSONResponse({"refused": [f.to_dict() for f in error.findings]}, 422)
            role = request.state.role
            back = "bench" if role == BENCH else request.url.path.rsplit("/", 1)[-1]
            return desk.page(
                "refused.html", 422, study=None if role == BENCH else study, step=back, back=back,
                findings=error.findings,
            )  # fmt: skip

    return route


async def form_of(request: Request) -> dict[str, str]:
    """Fields of a form; of several of one name the last."""
    body = (await request.body()).decode("utf-8", "replace")
    return {k: v[-1] for k, v in parse_qs(body, keep_blank_values=True).items()}


def to_step(study: Opened, step: str, body: str = "") -> RedirectResponse:
    """Lead on to a screen of a study."""
    query = f"?body={quote(body)}" if body else ""
    return RedirectResponse(f"/s/{study.key}/{step}{query}", 303)
