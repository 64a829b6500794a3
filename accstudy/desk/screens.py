"""The first screens, and the desk as an application."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from accstudy.desk.desk import Desk, form_of, to_step
from accstudy.desk.safety import BENCH
from accstudy.desk.steps import routes
from accstudy.errors import AccstudyError, Finding, Severity
from accstudy.study.files import resolve

__all__ = ["build"]

_HERE = Path(__file__).parent


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
    if door.keys.is_passphrase((await form_of(request)).get("passphrase", "")):
        answer: Response = door.welcome(BENCH, request.headers["host"])
        return answer
    return desk.page("enter.html", 403, wrong=True)


async def new(request: Request) -> Response:
    """A new study: its question and its name."""
    desk: Desk = request.app.state.desk
    protocols = await desk.clerk.ask("protocols")
    if request.method == "GET":
        return desk.page("new.html", protocols=protocols, given={})
    given = await form_of(request)
    try:
        folder = desk.shelf.place(given.get("title", "").strip() or "study")
        await desk.clerk.ask(
            "create", folder=folder, protocol=given.get("protocol", ""),
            title=given.get("title", ""), referenced=given.get("referenced") != "no",
        )  # fmt: skip
    except AccstudyError as error:
        return desk.page("new.html", 422, protocols=protocols, given=given, findings=error.findings)
    return to_step(desk.shelf.open(folder), "question")


async def browse(request: Request) -> Response:
    """Folders below the user's own, to open a study that lies elsewhere."""
    desk: Desk = request.app.state.desk
    root = Path.home().resolve()
    if request.method == "POST":
        given = await form_of(request)
        try:
            return to_step(desk.shelf.open(resolve(root, given.get("at", ""))), "")
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


async def failed(request: Request, error: Exception) -> Response:
    """Answer to what is a bug, or to an address that there is not."""
    desk: Desk = request.app.state.desk
    what, mend = f"accstudy failed: {type(error).__name__}: {error}", "this is a bug"
    if isinstance(error, HTTPException):
        what, mend = "there is no such screen", "begin on the first one"
    status = getattr(error, "status_code", 500)
    finding = Finding(Severity.ERROR, "bug", what, mend=mend)
    return desk.page("refused.html", status, back="/", findings=[finding])


def build(desk: Desk) -> Starlette:
    """The desk as an application, without its door."""

    async def begin(app: Starlette) -> Any:
        await desk.clerk.start()
        yield
        await desk.end()

    both = ["GET", "POST"]
    app = Starlette(
        routes=[
            Route("/", home), Route("/enter", enter, methods=both),
            Route("/new", new, methods=both), Route("/browse", browse, methods=both),
            Mount("/static", StaticFiles(directory=_HERE / "static")),
            Mount("/s/{key}", routes=routes()),
        ],
        exception_handlers={
            404: failed, 405: failed, Exception: failed,
            ClientDisconnect: lambda request, error: Response(status_code=400),
        },
        lifespan=contextlib.asynccontextmanager(begin),
    )  # fmt: skip
    app.state.desk = desk
    return app
