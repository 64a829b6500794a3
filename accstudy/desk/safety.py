"""Who may speak to the desk: this machine, by its own address, with the token of the start link."""

from __future__ import annotations

import hmac
import re
import secrets
import time
from collections.abc import Iterable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

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
