"""The screens: what is asked of clerks, and which template shows their answer."""

from __future__ import annotations

import base64
import contextlib
import datetime as dt
import functools
import os
import re
import shutil
import tempfile
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote

import jinja2
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    JSONResponse,
    RedirectResponse,
    Response,
)
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from accstudy.desk.clerks import Clerk, Job, Jobs
from accstudy.desk.safety import BENCH, EXPLORE_POLICY, OWNER
from accstudy.desk.studies import Opened, Shelf
from accstudy.desk.uploads import PLACES, receive
from accstudy.errors import AccstudyError, Finding, InputError
from accstudy.study.files import resolve

__all__ = ["Desk", "build"]

_HERE = Path(__file__).parent
_STEPS = (
    ("question", "Question"), ("reference", "Reference"), ("body", "Scan body"),
    ("plan", "Plan"), ("scans", "Scans"), ("check", "Check"), ("run", "Run"),
    ("results", "Results"),
)  # fmt: skip
_DOWNLOADS = re.compile(
    r"(results/[\w-]+\.(csv|json|jsonl)|reports/[\w.-]+\.(pdf|html)|reports/figures/[\w.-]+\.svg"
    r"|plan/[\w.-]+\.(pdf|csv|json)|study\.toml)"
)
_LINKS = (
    ("study.toml", "question"), ("reference/", "reference"), ("scan_bodies/", "body"),
    ("events", "session"), ("scans", "scans"), ("poses", "scans"), ("landmarks", "scans"),
)  # fmt: skip
_SECTIONS = {"reference": "reference", "scan_body": "body", "scans": "scans"}


class Desk:
    """What one start of the desk holds: the open studies, and who works on them.

    Parameters
    ----------
    shelf : Shelf
        The open studies.
    """

    def __init__(self, shelf: Shelf) -> None:
        self.shelf = shelf
        self.clerk, self.slow = Clerk(), Clerk()
        self.jobs = Jobs()
        self.notes: dict[Path, list[str]] = {}
        self.inbox = Path(tempfile.mkdtemp(prefix="accstudy-desk-"))
        self.templates = jinja2.Environment(
            loader=jinja2.FileSystemLoader(_HERE / "templates"), autoescape=True,
            trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined,
        )  # fmt: skip
        self.templates.filters["seconds"] = in_words
        self.templates.globals["link_of"] = link_of

    async def end(self) -> None:
        """Leave off all work."""
        await self.jobs.end()
        await self.clerk.end()
        await self.slow.end()
        shutil.rmtree(self.inbox, ignore_errors=True)

    def page(self, name: str, status: int = 200, **given: Any) -> HTMLResponse:
        """Fill a template."""
        usual: dict[str, Any] = {"steps": _STEPS, "study": None, "findings": (), "notes": ()}
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
    ('less than a minute', '1 min', '2 h 2 min')
    """
    if seconds is None:
        return ""
    minutes = round(seconds / 60)
    if seconds < 60:
        return "less than a minute"
    return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60} min"


def link_of(finding: dict[str, str] | Finding) -> str:
    """The screen, and the field on it, where a finding is mended; empty where there is none.

    Examples
    --------
    >>> link_of({"where": "scans.csv:4:operator"})
    'scans#r4:operator'
    >>> link_of({"where": "study.toml:3:reference.mpe_um.constant"})
    'reference#reference.mpe_um.constant'
    """
    where = finding.where if isinstance(finding, Finding) else finding.get("where", "")
    file, _, rest = where.partition(":")
    row, _, column = rest.partition(":")
    if file == "study.toml":
        screen = _SECTIONS.get(column.split(".")[0], "question")
        return f"{screen}#{column}" if column else screen
    for start, screen in _LINKS:
        if file.startswith(start):
            return f"{screen}#r{row}:{column}" if screen == "scans" and row else screen
    return ""


Answer = Awaitable[Response]


def _screen(function: Callable[[Desk, Opened, Request], Answer]) -> Callable[[Request], Answer]:
    """A route of one study; what it refuses is shown in words."""

    @functools.wraps(function)
    async def route(request: Request) -> Response:
        desk: Desk = request.app.state.desk
        study = None
        try:
            study = desk.shelf.find(request.path_params["key"])
            return await function(desk, study, request)
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


async def _form(request: Request) -> dict[str, str]:
    """Fields of a form; of several of one name the last."""
    body = (await request.body()).decode()
    return {k: v[-1] for k, v in parse_qs(body, keep_blank_values=True).items()}


def _to(study: Opened, step: str) -> RedirectResponse:
    return RedirectResponse(f"/s/{study.key}/{step}", 303)


# The first screens


async def home(request: Request) -> Response:
    """The open studies."""
    desk: Desk = request.app.state.desk
    return desk.page(
        "home.html", studies=desk.shelf.studies(), role=request.state.role, home=desk.shelf.home
    )


async def enter(request: Request) -> Response:
    """Where another device in the room gives the pass phrase."""
    desk: Desk = request.app.state.desk
    door = request.state.door
    if request.method == "GET":
        return desk.page("enter.html", wrong=False)
    if door.keys.is_passphrase((await _form(request)).get("passphrase", "")):
        answer: Response = door.welcome(BENCH, "/")
        return answer
    return desk.page("enter.html", 403, wrong=True)


async def new(request: Request) -> Response:
    """A new study: its question and its name."""
    desk: Desk = request.app.state.desk
    protocols = await desk.clerk.ask("protocols")
    if request.method == "GET":
        return desk.page("new.html", protocols=protocols, given={})
    given = await _form(request)
    try:
        folder = desk.shelf.place(given.get("title", "").strip() or "study")
        await desk.clerk.ask(
            "create", folder=folder, protocol=given.get("protocol", ""),
            title=given.get("title", ""), referenced=given.get("referenced") != "no",
        )  # fmt: skip
    except AccstudyError as error:
        return desk.page("new.html", 422, protocols=protocols, given=given, findings=error.findings)
    return _to(desk.shelf.open(folder), "question")


async def browse(request: Request) -> Response:
    """Folders below the user's own, to open a study that lies elsewhere."""
    desk: Desk = request.app.state.desk
    root = Path.home().resolve()
    if request.method == "POST":
        given = await _form(request)
        try:
            return _to(desk.shelf.open(resolve(root, given.get("at", ""))), "")
        except AccstudyError as error:
            return desk.page("refused.html", 422, back="/browse", findings=error.findings)
    at = request.query_params.get("at", "")
    try:
        here = resolve(root, at)
        below = sorted(
            (p for p in here.iterdir() if p.is_dir() and not p.name.startswith(".")),
            key=lambda p: p.name.casefold(),
        )
    except (AccstudyError, OSError):
        here, below, at = root, [], ""
    folders = [
        (p.name, p.relative_to(root).as_posix(), (p / "study.toml").is_file()) for p in below[:500]
    ]
    up = "" if here == root else here.parent.relative_to(root).as_posix()
    return desk.page("browse.html", at=str(here), folders=folders, up=up, top=here == root)


@_screen
async def first(desk: Desk, study: Opened, request: Request) -> Response:
    """Where one goes on: the results, or the question."""
    return _to(study, "results" if study.has_results else "question")


# Settings, reference, scan body


async def _fields(desk: Desk, study: Opened, step: str, given: dict[str, str]) -> Response | None:
    """Save the fields of a screen; show it again, faults at their fields, where they cannot be."""
    version = given.pop("version", "")
    try:
        await desk.clerk.ask("save", study=study.path, version=version, values=given, name=step)
    except AccstudyError as error:
        form = await desk.clerk.ask("form", study=study.path, name=step)
        for fields in form["groups"].values():
            for field in fields:
                field["value"] = given.get(field["key"], field["value"])
        form["version"] = version
        extra = await _extra(desk, study, step)
        return await desk.screen(study, step, form=form, findings=error.findings, **extra)
    desk.note(study, "Saved.")
    return None


async def _extra(desk: Desk, study: Opened, step: str) -> dict[str, Any]:
    if step == "reference":
        return {"table": await desk.clerk.ask("tables", study=study.path, table="implants")}
    if step == "scans":
        return {
            "sheet": await desk.clerk.ask("sheet", study=study.path),
            "table": await desk.clerk.ask("tables", study=study.path, table="scans"),
        }
    return {}


@_screen
async def settings(desk: Desk, study: Opened, request: Request) -> Response:
    """Fields of a screen: the question, the reference, the scan body, the scans."""
    step = request.url.path.rsplit("/", 1)[-1]
    if request.method == "POST":
        refused = await _fields(desk, study, step, await _form(request))
        return refused or _to(study, step)
    return await desk.screen(study, step, **await _extra(desk, study, step))


@_screen
async def columns(desk: Desk, study: Opened, request: Request) -> Response:
    """How the columns of a table are matched."""
    given = await _form(request)
    table = given.pop("table")
    await desk.clerk.ask("match", study=study.path, table=table, given=given)
    return _to(study, "reference" if table == "implants" else "scans")


@_screen
async def drawing(desk: Desk, study: Opened, request: Request) -> Response:
    """What the drawing shows, to be filled into the screen; or the planes that were chosen."""
    if request.method == "GET":
        found = await desk.slow.ask("drawing", study=study.path)
        return desk.page("drawing.html", study=study, found=found)
    given = await _form(request)
    await desk.slow.ask(
        "place_body", study=study.path, letter=given.get("letter", ""),
        flat=int(given.get("flat", "0")), reverse="reverse" in given,
    )  # fmt: skip
    desk.note(study, "Platform, axis and flat are saved.")
    return _to(study, "body")


@_screen
async def upload(desk: Desk, study: Opened, request: Request) -> Response:
    """A file that is brought; then the study takes it."""
    where = request.path_params["where"]
    place, to = PLACES.get("scans" if where == "session" else where), study.path
    if place is None:
        raise InputError("files are not brought here")
    if where == "session":
        to = desk.inbox / study.key
        to.mkdir(exist_ok=True)
    size = request.headers.get("content-length", "")
    moment = request.query_params.get("changed", "")
    file = await receive(
        to, place, request.query_params.get("name", ""), request.stream(),
        size=int(size) if size.isdecimal() else None,
        changed=float(moment) / 1000 if moment.isdecimal() else None,
    )  # fmt: skip
    try:
        if where in ("reference", "list"):
            table = "implants" if where == "reference" else "scans"
            await desk.clerk.ask("take_table", study=study.path, table=table, file=file)
        if where == "body":
            await desk.slow.ask("take_drawing", study=study.path, file=file)
    except AccstudyError:
        (to / file).unlink(missing_ok=True)
        raise
    return JSONResponse({"file": file})


# Scans


@_screen
async def sheet(desk: Desk, study: Opened, request: Request) -> Response:
    """Cells of the scan list that were changed; rows that go; a column more."""
    given = await _form(request)
    await desk.clerk.ask(
        "edit_sheet", study=study.path, version=given.get("version", ""),
        cells={k.removeprefix("c:"): v for k, v in given.items() if k.startswith("c:")},
        removed=[int(k[2:]) for k in given if re.fullmatch(r"x:\d+", k)],
        added=given.get("added", "").strip(),
    )  # fmt: skip
    desk.note(study, "Scan list saved.")
    return _to(study, "scans")


@_screen
async def listed(desk: Desk, study: Opened, request: Request) -> Response:
    """New scans become rows, or the files of scans that were planned."""
    given = await _form(request)
    files = {k.removeprefix("f:"): v for k, v in given.items() if k.startswith("f:")}
    if files:
        await desk.clerk.ask(
            "assign", study=study.path, version=given.get("version", ""), files=files
        )
        desk.note(study, "The files are named in the list.")
    else:
        for said in await desk.clerk.ask("list_files", study=study.path):
            desk.note(study, said)
        desk.note(study, "Check every row before use.")
    return _to(study, "scans")


@_screen
async def leave_out(desk: Desk, study: Opened, request: Request) -> Response:
    """A scan that is not to be used, and why."""
    given = await _form(request)
    scan, reason = given.get("scan", ""), given.get("reason", "")
    await desk.clerk.ask("leave_out", study=study.path, scan=scan, reason=reason)
    return _to(study, "check")


# Check, run, read


@_screen
async def check(desk: Desk, study: Opened, request: Request) -> Response:
    """Everything that is wrong, as cards."""
    job = await desk.checked(study)
    rows = (await desk.clerk.ask("sheet", study=study.path))["rows"]
    scans = {str(r["number"]): r["cells"].get("scan", "") for r in rows}
    of_file = {r["cells"].get("file", ""): r["cells"].get("scan", "") for r in rows}

    def scan_of(finding: dict[str, str]) -> str:
        file, _, rest = finding["where"].partition(":")
        return of_file.get(file) or (scans.get(rest.split(":")[0], "") if "scans" in file else "")

    return await desk.screen(study, "check", job=job, scan_of=scan_of)


@_screen
async def run(desk: Desk, study: Opened, request: Request) -> Response:
    """Measure, analyze, report; or leave off."""
    if request.method == "POST":
        given = await _form(request)
        if given.get("do") == "cancel":
            await desk.jobs.cancel(study.path)
            return _to(study, "run")
        checked = await desk.checked(study)
        if checked.state != "done" or _errors(checked):
            return _to(study, "check")
        desk.jobs.start(study.path, "run", who=given.get("who", "").strip())
        return _to(study, "run")
    checked = await desk.checked(study)
    job = desk.jobs.last.get((study.path, "run"))
    return await desk.screen(study, "run", job=job, checked=checked, faulty=_errors(checked))


def _errors(checked: Job) -> bool:
    found = checked.result["findings"] if checked.result else []
    steps = bool(checked.result and checked.result["steps"])
    return bool(checked.findings) or steps or any(f["severity"] == "error" for f in found)


@_screen
async def job(desk: Desk, study: Opened, request: Request) -> Response:
    """How far the work on the study is."""
    now = desk.jobs.of.get(study.path)
    if now is None:
        return JSONResponse({"state": "none"})
    shown = now.shown()
    return JSONResponse({**shown, "left": in_words(shown["left_s"])})


@_screen
async def results(desk: Desk, study: Opened, request: Request) -> Response:
    """Verdict, figures, tables, report."""
    found = await desk.clerk.ask("results", study=study.path)
    view = request.query_params.get("view", "")
    return await desk.screen(study, "results", found=found, view=view)


@_screen
async def table(desk: Desk, study: Opened, request: Request) -> Response:
    """One table, to be sorted; or as a workbook."""
    name = request.path_params["name"]
    if request.query_params.get("as") == "xlsx":
        data = base64.b64decode(await desk.slow.ask("workbook", study=study.path, name=name))
        kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
        return Response(data, media_type=kind, headers=_named(f"{name}.xlsx"))
    shown = await desk.clerk.ask("table", study=study.path, name=name)
    form = await desk.clerk.ask("form", study=study.path, name="results")
    return desk.page("table.html", study=study, step="results", form=form, table=shown)


def _named(name: str) -> dict[str, str]:
    return {"content-disposition": f"attachment; filename*=utf-8''{quote(name)}"}


@_screen
async def file(desk: Desk, study: Opened, request: Request) -> Response:
    """A file that the program wrote."""
    name = request.path_params["name"]
    path = resolve(study.path, name)
    if not _DOWNLOADS.fullmatch(name) or not path.is_file():
        raise InputError(f'there is no file "{name}"')
    headers = _named(path.name) if "save" in request.query_params else {}
    if name.endswith(".html"):
        headers["content-security-policy"] = EXPLORE_POLICY
    if name.endswith(".svg"):
        headers["content-security-policy"] = "default-src 'none'; style-src 'unsafe-inline'"
    return FileResponse(path, headers=headers)


# Plan, bench, weekly session


@_screen
async def plan(desk: Desk, study: Opened, request: Request) -> Response:
    """Sizes with what they promise; the order of scans."""
    given: dict[str, str] = {}
    if request.method == "POST":
        given = await _form(request)
        if given.pop("do", "") == "draw":
            told = await desk.slow.ask("draw", study=study.path, given=given)
            desk.note(study, told["words"])
            return _to(study, "plan")
        desk.jobs.start(study.path, "sizes", given=given)
        return _to(study, "plan")
    start = await desk.clerk.ask("order", study=study.path)
    job = desk.jobs.last.get((study.path, "sizes"))
    pilots = [s for s in desk.shelf.studies() if s.has_results and s.key != study.key]
    return await desk.screen(study, "plan", start=start, job=job, pilots=pilots)


@_screen
async def bench(desk: Desk, study: Opened, request: Request) -> Response:
    """Scans ticked off where they are made."""
    if request.method == "POST":
        given = await _form(request)
        reason = given.get("reason", "").strip()
        if given.get("state") == "failed" and len(reason) < 3:
            raise InputError("the reason is missing", hint="say in a few words why it failed")
        await desk.clerk.ask(
            "tick", study=study.path, scan=given.get("scan", ""), state=given.get("state", ""),
            reason=reason, temperature_c=given.get("temperature_c", ""),
            at=dt.datetime.now().isoformat(timespec="seconds"),
        )  # fmt: skip
        return _to(study, "bench")
    found = await desk.clerk.ask("bench", study=study.path)
    owner = request.state.role == OWNER
    return desk.page("bench.html", study=study, step="plan", found=found, owner=owner)


@_screen
async def session(desk: Desk, study: Opened, request: Request) -> Response:
    """A session more of a drift study; an event."""
    box = desk.inbox / study.key / "scans"
    if request.method == "POST":
        given = await _form(request)
        if given.pop("do", "") == "event":
            told = await desk.clerk.ask("event", study=study.path, given=given)
            desk.note(study, f"Event added: {told}")
            return _to(study, "session")
        files = sorted(box.iterdir()) if box.is_dir() else []
        done = await desk.slow.ask(
            "add", study=study.path, files=[str(f) for f in files], given=given
        )
        shutil.rmtree(box, ignore_errors=True)
        desk.note(study, f"Added: {', '.join(done['scans'])}")
        if done["planned"]:
            desk.note(study, f"Scans still to make: {', '.join(done['planned'])}")
        for said in done["words"]:
            desk.note(study, said)
        return _to(study, "run")
    if request.query_params.get("empty"):
        shutil.rmtree(box, ignore_errors=True)
        return _to(study, "session")
    start = await desk.clerk.ask("session", study=study.path)
    waiting = sorted(p.name for p in box.iterdir()) if box.is_dir() else []
    return await desk.screen(study, "session", start=start, waiting=waiting)


def build(desk: Desk) -> Starlette:
    """The desk as an application, without its door."""

    async def begin(app: Starlette) -> Any:
        await desk.clerk.start()
        yield
        await desk.end()

    both = ["GET", "POST"]
    of_study = [
        Route("/", first), Route("/job", job), Route("/check", check),
        *(Route(f"/{s}", settings, methods=both) for s in ("question", "reference", "body")),
        Route("/scans", settings, methods=both),
        Route("/columns", columns, methods=["POST"]),
        Route("/drawing", drawing, methods=both),
        Route("/upload/{where}", upload, methods=["POST"]),
        Route("/sheet", sheet, methods=["POST"]), Route("/listed", listed, methods=["POST"]),
        Route("/leave_out", leave_out, methods=["POST"]),
        Route("/run", run, methods=both), Route("/results", results),
        Route("/table/{name}", table), Route("/file/{name:path}", file),
        Route("/plan", plan, methods=both), Route("/bench", bench, methods=both),
        Route("/session", session, methods=both),
    ]  # fmt: skip
    app = Starlette(
        routes=[
            Route("/", home), Route("/enter", enter, methods=both),
            Route("/new", new, methods=both), Route("/browse", browse, methods=both),
            Mount("/static", StaticFiles(directory=_HERE / "static")),
            Mount("/s/{key}", routes=of_study),
        ],
        lifespan=contextlib.asynccontextmanager(begin),
    )  # fmt: skip
    app.state.desk = desk
    return app
