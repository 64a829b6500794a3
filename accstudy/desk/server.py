"""The desk started: an address of this machine only, a link with a token, a browser opened."""

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

import uvicorn

from accstudy.desk.desk import Desk
from accstudy.desk.safety import Door, Keys
from accstudy.desk.screens import build
from accstudy.desk.studies import Shelf
from accstudy.errors import OutputError
from accstudy.study.disk import write_files

__all__ = ["serve", "shortcuts"]


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
