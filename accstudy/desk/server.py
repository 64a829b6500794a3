"""The desk started: first screens, an address of this machine only, a link with a token."""

from __future__ import annotations

import contextlib
import os
import secrets
import shlex
import socket
import stat
import sys
import webbrowser
from collections.abc import Callable
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from accstudy.desk.desk import BENCH, Desk, Door, Keys, Shelf, form_of, to_step
from accstudy.desk.steps import routes
from accstudy.errors import AccstudyError, OutputError, fault
from accstudy.study.files import resolve, write_files

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
    finding = fault("bug", what, mend=mend)
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


def _addresses() -> list[str]:
    """Names by which other devices in the room may call this machine."""
    names = {socket.gethostname().lower()}
    with contextlib.suppress(OSError):
        names |= {str(a[4][0]) for a in socket.getaddrinfo(socket.gethostname(), None)}
    with (
        contextlib.suppress(OSError),
        socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe,
    ):
        probe.connect(("192.0.2.1", 9))  # documentation address: nothing is sent
        names.add(str(probe.getsockname()[0]))
    return sorted(n for n in names if ":" not in n and not n.startswith("127."))


def _listening(host: str, port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    if os.name != "nt":
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    else:  # there nobody else may take the same port
        listener.setsockopt(socket.SOL_SOCKET, getattr(socket, "SO_EXCLUSIVEADDRUSE", 4), 1)
    try:
        listener.bind((host, port))
    except OSError as error:
        listener.close()
        raise OutputError(
            f"port {port} cannot be used: {error.strerror}", hint="name another with --port"
        ) from None
    return listener


class _Server(uvicorn.Server):
    """Says when it listens, and when it ends."""

    def __init__(
        self, config: uvicorn.Config, ready: Callable[[], None], over: Callable[[], None]
    ) -> None:
        super().__init__(config)
        self._ready, self._over = ready, over

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        self._ready()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._over()
        await super().shutdown(sockets)


def serve(
    home: Path,
    *,
    port: int = 0,
    room: bool = False,
    browser: bool = True,
    say: Callable[[str], None],
) -> None:
    """Serve the desk until it is ended.

    Parameters
    ----------
    home : Path
        The desk's folder: studies in it are open, new ones are made there.
    port : int
        Port to listen on; a free one by default.
    room : bool
        Whether other devices in the room may note scans at the bench.
    browser : bool
        Whether to open the link in the user's browser.
    say : callable
        Gets lines to print.

    Raises
    ------
    OutputError
        If the folder cannot be made or the port is in use.
    """
    try:
        home.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"the folder cannot be made: {error.strerror}", where=str(home)) from None
    passphrase = "-".join(f"{secrets.randbelow(1000):03d}" for _ in range(4)) if room else ""
    keys = Keys(passphrase)
    listener = _listening("0.0.0.0" if room else "127.0.0.1", port)
    number = listener.getsockname()[1]
    others = _addresses() if room else []
    hosts = [f"{name}:{number}" for name in ("127.0.0.1", "localhost", *others)]
    link = f"http://127.0.0.1:{number}/?token={keys.token}"
    shelf = Shelf(home.resolve())
    app = Door(build(Desk(shelf)), keys, hosts)
    opener = shelf.home / "open the desk.html"
    config = uvicorn.Config(
        app, log_level="error", access_log=False, ws="none", http="h11", loop="asyncio",
        server_header=False, date_header=False, proxy_headers=False, timeout_keep_alive=5,
        timeout_graceful_shutdown=3, lifespan="on",
    )  # fmt: skip

    def ready() -> None:
        say(f"desk: {link}")
        say("Only this machine can use it." if not room else _warning(others, number, passphrase))
        say("Close it with Ctrl-C; scans measured so far are kept.")
        # a file that only the user may read: others see the words that programs are started with
        opener.unlink(missing_ok=True)
        opener.touch(mode=0o600)
        opener.write_text(f'<meta http-equiv="refresh" content="0; url={link}">', encoding="utf-8")
        if browser:
            webbrowser.open(opener.as_uri())

    with contextlib.closing(listener):
        _Server(config, ready, lambda: opener.unlink(missing_ok=True)).run(sockets=[listener])


def _warning(others: list[str], port: int, passphrase: str) -> str:
    where = " or ".join(f"http://{name}:{port}" for name in others) or "this machine's address"
    return (
        "warning: every device in this network can reach the desk. With the pass phrase it can see "
        "and tick off planned scans, and nothing else. The network is not encrypted by the desk: "
        "use it in a network that you trust, and end it after the session.\n"
        f"At the bench open {where}\npass phrase: {passphrase}"
    )


def shortcuts(folder: Path, home: Path) -> list[Path]:
    """Write files that start the desk by a double click.

    Parameters
    ----------
    folder : Path
        Where to.
    home : Path
        Folder of the desk that they start.

    Returns
    -------
    list of Path
        For Windows, macOS and Linux.
    """
    python, where = sys.executable, str(home.resolve())
    command = f"{shlex.quote(python)} -m accstudy desk {shlex.quote(where)}"
    files = {
        "accstudy desk.cmd": "\r\n".join(
            ("@echo off", "chcp 65001 >nul", "title accstudy desk",
             f'"{_batch(python)}" -m accstudy desk "{_batch(where)}"', "if errorlevel 1 pause", "")
        ),
        "accstudy desk.command": f"#!/bin/sh\nexec {command}\n",
        "accstudy desk.desktop": "\n".join(
            ("[Desktop Entry]", "Type=Application", "Name=accstudy desk",
             f"Exec={' '.join(map(_desktop, (python, '-m', 'accstudy', 'desk', where)))}",
             "Terminal=true", "Categories=Science;MedicalSoftware;", "")
        ),
    }  # fmt: skip
    written = write_files(folder, {name: text.encode() for name, text in files.items()})
    for path in written[1:]:
        path.chmod(path.stat().st_mode | stat.S_IXUSR | stat.S_IXGRP)
    return written


def _batch(text: str) -> str:
    return text.replace("%", "%%")


def _desktop(text: str) -> str:
    """An argument as the Desktop Entry Specification quotes it."""
    quoted = "".join(f"\\\\{c}" if c in '"`$\\' else "%%" if c == "%" else c for c in text)
    return f'"{quoted}"'
