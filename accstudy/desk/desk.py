"""What one start of the desk holds, and how its screens are made."""

from __future__ import annotations

import functools
import os
import shutil
import tempfile
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote

import jinja2
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from accstudy.desk.clerk import Clerk, Job, Jobs
from accstudy.desk.safety import BENCH
from accstudy.desk.studies import Opened, Shelf, largest
from accstudy.desk.wording import figure_name, head, link_of, place_of, plain
from accstudy.errors import AccstudyError
from accstudy.words.catalogue import words

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
