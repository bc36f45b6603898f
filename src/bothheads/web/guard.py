"""The door of the page: loopback names only, writes only from the page itself, nothing from elsewhere.

A page served on the loopback address can still be reached by any site open in the same browser. So the Host
must be a loopback name (no rebinding), every write must come from this origin with this run's cookie, and the
content-security policy leaves no door for scripts, styles or requests of others.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Mapping
from http.cookies import CookieError, SimpleCookie
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HOSTS = ("127.0.0.1", "localhost", "[::1]")
COOKIE = "bothheads"
MOST_BYTES = 1 << 30  # of one upload
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; media-src 'self' blob:; "
    "connect-src 'self'; worker-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
HEADERS: Mapping[str, str] = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "microphone=(self), camera=(), geolocation=()",
}


class Guard:
    """Middleware around the whole application; ``token`` is made anew at every start."""

    def __init__(self, app: ASGIApp, token: str | None = None) -> None:
        self.app = app
        self.token = token or secrets.token_urlsafe(24)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "lifespan":
            await self.app(scope, receive, send)
            return
        why = self.refusal(scope)
        if why is None:
            await self.app(scope, receive, self._with_headers(scope, send))
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008, "reason": why[:120]})
        else:
            await PlainTextResponse(why, 403, headers=dict(HEADERS))(scope, receive, send)

    def refusal(self, scope: Scope) -> str | None:
        """Why a request is turned away, in one sentence; None when it may pass."""
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if host.rsplit(":", 1)[0] not in HOSTS and host not in HOSTS:
            return "This page answers only at 127.0.0.1: open it by the address that 'bothheads serve' printed."
        writes = scope["type"] == "websocket" or scope["method"] not in ("GET", "HEAD")
        if not writes:
            return None
        origin = headers.get("origin")
        if origin is not None and origin not in (f"http://{host}", f"https://{host}"):
            return "This was sent from another site: use the page itself."
        if not hmac.compare_digest(_cookie(headers), self.token):
            return "This page is from an earlier start of the program: load it again, then repeat."
        if int(headers.get("content-length") or 0) > MOST_BYTES:
            return "The upload is larger than 1 GB: cut the recording to the strikes and send it again."
        return None

    def _with_headers(self, scope: Scope, send: Send) -> Send:
        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                if headers.get("content-type", "").startswith("text/html"):
                    headers.append("set-cookie", f"{COOKIE}={self.token}; Path=/; SameSite=Strict; HttpOnly")
                    headers.setdefault("cache-control", "no-store")
            await send(message)

        return sent


def _cookie(headers: Headers) -> str:
    jar: SimpleCookie = SimpleCookie()
    try:
        jar.load(headers.get("cookie", ""))
    except CookieError:
        return ""
    morsel: Any = jar.get(COOKIE)
    return str(morsel.value) if morsel else ""
