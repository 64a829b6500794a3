"""The screens of a study: what is asked of clerks, and which template shows their answer."""

from __future__ import annotations

import base64
import datetime as dt
import re
import shutil
from typing import Any
from urllib.parse import quote

from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import BaseRoute, Route

from accstudy.desk.clerk import Job
from accstudy.desk.desk import (
    EXPLORE_POLICY,
    OWNER,
    PLACES,
    Desk,
    Opened,
    form_of,
    in_words,
    receive,
    screen,
    to_step,
)
from accstudy.errors import AccstudyError, InputError
from accstudy.study.files import resolve

_DOWNLOADS = re.compile(
    r"(results/[\w-]+\.(csv|json|jsonl)|reports/[\w.-]+\.(pdf|html)|reports/figures/[\w.-]+\.svg"
    r"|plan/[\w.-]+\.(pdf|csv|json)|study\.toml)"
)


@screen
async def first(desk: Desk, study: Opened, request: Request) -> Response:
    """Where one goes on: the results, or the question."""
    return to_step(study, "results" if study.has_results else "question")


async def _done(
    desk: Desk, study: Opened, task: str, *, to: str, note: str = "Saved.", body: str = "",
    **given: Any,
) -> Response:  # fmt: skip
    """Have a change made, say so, and lead on."""
    await desk.clerk.ask(task, study=study.path, **given)
    desk.note(study, note)
    return to_step(study, to, body)


# Settings, reference, scan body


async def _fields(
    desk: Desk, study: Opened, step: str, body: str, given: dict[str, str]
) -> Response | None:
    """Save the fields of a screen; show it again, faults at their fields, where they cannot be."""
    version = given.pop("version", "")
    about: dict[str, Any] = {"study": study.path, "name": step, "body": body}
    try:
        await desk.clerk.ask("save", version=version, values=given, **about)
    except AccstudyError as error:
        form = await desk.clerk.ask("form", **about)
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
    if step == "body":
        found = await desk.clerk.ask("tables", study=study.path, table="implants")
        there = found["there"] and found["read"]
        return {"carriers": await desk.clerk.ask("carriers", study=study.path) if there else []}
    return {}


@screen
async def settings(desk: Desk, study: Opened, request: Request) -> Response:
    """Fields of a screen: the question, the reference, the scan body, the scans."""
    step, body = request.url.path.rsplit("/", 1)[-1], request.query_params.get("body", "")
    if request.method == "POST":
        refused = await _fields(desk, study, step, body, await form_of(request))
        return refused or to_step(study, step, body)
    form = await desk.clerk.ask("form", study=study.path, name=step, body=body)
    shown = await _extra(desk, study, step)
    everything = "all" in request.query_params
    return await desk.screen(study, step, form=form, **shown, everything=everything)


@screen
async def columns(desk: Desk, study: Opened, request: Request) -> Response:
    """How the columns of a table are matched."""
    given = await form_of(request)
    table = "implants" if given.pop("table", "") == "implants" else "scans"
    to = "reference" if table == "implants" else "scans"
    return await _done(desk, study, "match", to=to, table=table, given=given)


@screen
async def drawing(desk: Desk, study: Opened, request: Request) -> Response:
    """What the drawing shows, to be filled into the screen; or the planes that were chosen."""
    body = request.query_params.get("body", "")
    if request.method == "GET":
        found = await desk.slow.ask("drawing", study=study.path, body=body)
        return desk.page("drawing.html", study=study, found=found, body=body)
    given = await form_of(request)
    flat = given.get("flat", "0")
    await desk.slow.ask(
        "place_body", study=study.path, body=body, letter=given.get("letter", ""),
        flat=int(flat) if flat.isdecimal() else -1, reverse="reverse" in given,
    )  # fmt: skip
    desk.note(study, "Platform, axis and flat are saved.")
    return to_step(study, "body", body)


@screen
async def carried(desk: Desk, study: Opened, request: Request) -> Response:
    """Which scan body every implant carries."""
    return await _done(desk, study, "carry", to="body", bodies=await form_of(request))


@screen
async def models(desk: Desk, study: Opened, request: Request) -> Response:
    """Models of a comparison: what is asked for, one more, one less."""
    if request.method == "POST":
        given = await form_of(request)
        return await _done(desk, study, "change_model", to="models", given=given)
    found = await desk.clerk.ask("models", study=study.path)
    return await desk.screen(study, "models", found=found)


@screen
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
    file, new = await receive(
        to, place, request.query_params.get("name", ""), request.stream(),
        size=int(size) if size.isdecimal() else None,
        changed=float(moment) / 1000 if moment.isdecimal() else None,
    )  # fmt: skip
    try:
        if where in ("reference", "list"):
            table = "implants" if where == "reference" else "scans"
            await desk.clerk.ask("take_table", study=study.path, table=table, file=file)
        body = request.query_params.get("body", "default")
        if where == "body":
            await desk.slow.ask("take_drawing", study=study.path, body=body, file=file)
        if where == "learn":
            model = request.query_params.get("model", "")
            await desk.slow.ask("learn", study=study.path, body=body, file=file, model=model)
    except AccstudyError:
        if new:
            (to / file).unlink(missing_ok=True)
        raise
    return JSONResponse({"file": file})


# Scans


@screen
async def sheet(desk: Desk, study: Opened, request: Request) -> Response:
    """Cells of the scan list that were changed; rows that go; a column more."""
    given = await form_of(request)
    return await _done(
        desk, study, "edit_sheet", to="scans", note="Scan list saved.",
        version=given.get("version", ""),
        cells={k.removeprefix("c:"): v for k, v in given.items() if k.startswith("c:")},
        removed=[int(k[2:]) for k in given if re.fullmatch(r"x:\d+", k)],
        added=given.get("added", "").strip(),
    )  # fmt: skip


@screen
async def listed(desk: Desk, study: Opened, request: Request) -> Response:
    """New scans become rows, or the files of scans that were planned."""
    given = await form_of(request)
    files = {k.removeprefix("f:"): v for k, v in given.items() if k.startswith("f:")}
    if files:
        note, version = "The files are named in the list.", given.get("version", "")
        return await _done(
            desk, study, "assign", to="scans", note=note, version=version, files=files
        )
    for said in await desk.clerk.ask("list_files", study=study.path):
        desk.note(study, said)
    desk.note(study, "Check every row before use.")
    return to_step(study, "scans")


@screen
async def leave_out(desk: Desk, study: Opened, request: Request) -> Response:
    """A scan that is not to be used, and why."""
    given = await form_of(request)
    scan, reason = given.get("scan", ""), given.get("reason", "")
    note = f"{scan} is left out."
    return await _done(desk, study, "leave_out", to="check", note=note, scan=scan, reason=reason)


@screen
async def exclude(desk: Desk, study: Opened, request: Request) -> Response:
    """A scan that is excluded, and why; or one that is used again."""
    given = await form_of(request)
    scan, reason = given.get("scan", ""), given.get("reason", "").strip()
    if not reason and "again" not in given:
        raise InputError("the reason is missing", hint="say in a few words why it is excluded")
    return await _done(desk, study, "exclude", to="scans", scan=scan, reason=reason)


# Check, run, read


@screen
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


@screen
async def run(desk: Desk, study: Opened, request: Request) -> Response:
    """Measure, analyze, report; or leave off."""
    if request.method == "POST":
        given = await form_of(request)
        if given.get("do") == "cancel":
            await desk.jobs.cancel(study.path)
            return to_step(study, "run")
        checked = await desk.checked(study)
        if checked.state != "done" or _errors(checked):
            return to_step(study, "check")
        desk.jobs.start(study.path, "run", who=given.get("who", "").strip())
        return to_step(study, "run")
    checked = await desk.checked(study)
    job = desk.jobs.last.get((study.path, "run"))
    return await desk.screen(study, "run", job=job, checked=checked, faulty=_errors(checked))


def _errors(checked: Job) -> bool:
    found = checked.result["findings"] if checked.result else []
    steps = bool(checked.result and checked.result["steps"])
    return bool(checked.findings) or steps or any(f["severity"] == "error" for f in found)


@screen
async def job(desk: Desk, study: Opened, request: Request) -> Response:
    """How far the work on the study is."""
    now = desk.jobs.of.get(study.path)
    if now is None:
        return JSONResponse({"state": "none"})
    shown = now.shown()
    return JSONResponse({**shown, "left": in_words(shown["left_s"])})


@screen
async def results(desk: Desk, study: Opened, request: Request) -> Response:
    """Verdict, figures, tables, report."""
    found = await desk.clerk.ask("results", study=study.path)
    view = request.query_params.get("view", "")
    return await desk.screen(study, "results", found=found, view=view)


@screen
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


@screen
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


@screen
async def plan(desk: Desk, study: Opened, request: Request) -> Response:
    """Sizes with what they promise; the order of scans."""
    given: dict[str, str] = {}
    if request.method == "POST":
        given = await form_of(request)
        do = given.pop("do", "")
        if do == "draw":
            told = await desk.slow.ask("draw", study=study.path, given=given)
            desk.note(study, told["words"])
            return to_step(study, "plan")
        pilot = desk.shelf.find(given["pilot"]).path if given.get("pilot") else ""
        kind = "power" if do == "power" else "sizes"
        begun = desk.jobs.start(study.path, kind, given=given, pilot=pilot)
        if begun.kind != kind:
            desk.note(study, "The study is being worked on; compute this afterwards.")
        return to_step(study, "plan")
    start = await desk.clerk.ask("order", study=study.path)
    jobs = {kind: desk.jobs.last.get((study.path, kind)) for kind in ("sizes", "power")}
    pilots = [s for s in desk.shelf.studies() if s.has_results and s.key != study.key]
    return await desk.screen(study, "plan", start=start, jobs=jobs, pilots=pilots)


@screen
async def bench(desk: Desk, study: Opened, request: Request) -> Response:
    """Scans ticked off where they are made."""
    if request.method == "POST":
        given = await form_of(request)
        reason = given.get("reason", "").strip()
        if given.get("state") == "failed" and len(reason) < 3:
            raise InputError("the reason is missing", hint="say in a few words why it failed")
        await desk.clerk.ask(
            "tick", study=study.path, scan=given.get("scan", ""), state=given.get("state", ""),
            reason=reason, temperature_c=given.get("temperature_c", ""),
            at=dt.datetime.now().isoformat(timespec="seconds"),
        )  # fmt: skip
        return to_step(study, "bench")
    found = await desk.clerk.ask("bench", study=study.path)
    owner = request.state.role == OWNER
    return desk.page("bench.html", study=study, step="plan", found=found, owner=owner)


@screen
async def session(desk: Desk, study: Opened, request: Request) -> Response:
    """A session more of a drift study; an event."""
    box = desk.inbox / study.key / "scans"
    if request.method == "POST":
        given = await form_of(request)
        if given.pop("do", "") == "event":
            told = await desk.clerk.ask("event", study=study.path, given=given)
            desk.note(study, f"Event added: {told}")
            return to_step(study, "session")
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
        return to_step(study, "run")
    if request.query_params.get("empty"):
        shutil.rmtree(box, ignore_errors=True)
        return to_step(study, "session")
    start = await desk.clerk.ask("session", study=study.path)
    waiting = sorted(p.name for p in box.iterdir()) if box.is_dir() else []
    return await desk.screen(study, "session", start=start, waiting=waiting)


def routes() -> list[BaseRoute]:
    """Addresses of the screens of a study, below its own."""
    both = ["GET", "POST"]
    return [
        Route("/", first), Route("/job", job), Route("/check", check),
        *(Route(f"/{s}", settings, methods=both) for s in ("question", "reference", "body")),
        Route("/scans", settings, methods=both),
        Route("/columns", columns, methods=["POST"]), Route("/models", models, methods=both),
        Route("/drawing", drawing, methods=both), Route("/carried", carried, methods=["POST"]),
        Route("/upload/{where}", upload, methods=["POST"]),
        Route("/sheet", sheet, methods=["POST"]), Route("/listed", listed, methods=["POST"]),
        Route("/leave_out", leave_out, methods=["POST"]),
        Route("/exclude", exclude, methods=["POST"]),
        Route("/run", run, methods=both), Route("/results", results),
        Route("/table/{name}", table), Route("/file/{name:path}", file),
        Route("/plan", plan, methods=both), Route("/bench", bench, methods=both),
        Route("/session", session, methods=both),
    ]  # fmt: skip
