"""Who may talk to the page: the right host name, the right token, and no form of another site's.

On the loopback interface no token is needed, but the Host header must still name it: a page of the internet
whose name was turned to 127.0.0.1 is refused.  Requests that change something carry a header that another
origin cannot set (OWASP, cross-site request forgery prevention: custom request headers).
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Iterable
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qsl, urlencode

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "toprung"
FORGERY_HEADER = "x-toprung"
SAFE_METHODS = frozenset({"GET", "HEAD"})
LOOPBACK = ("127.0.0.1", "localhost", "[::1]")
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "font-src 'self'; frame-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'self'"
)
DOCUMENT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'self'"
HEADERS = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


@dataclass(frozen=True, slots=True)
class Guard:
    """What a request must show.  `token`: None on the loopback interface."""

    hosts: frozenset[str]  # as the Host header writes them, without port
    token: str | None = None
    forgery: str = field(default_factory=lambda: secrets.token_urlsafe(18))


def guard_of(host: str, *, names: Iterable[str] = (), token: str | None = None) -> Guard:
    """A guard for a server at this address; outside the loopback interface there is always a token."""
    if host in LOOPBACK or host == "::1":
        return Guard(frozenset({*LOOPBACK, *names}), token)
    written = f"[{host}]" if ":" in host else host
    return Guard(frozenset({*LOOPBACK, written, *names}), token or secrets.token_urlsafe(24))


class Guarded:
    """ASGI middleware: lets through what the guard allows, and puts the safety headers on every answer."""

    def __init__(self, app: ASGIApp, guard: Guard) -> None:
        self.app = app
        self.guard = guard

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        answer = refusal(scope, self.guard)
        if answer is not None:
            await answer(scope, receive, _with_headers(send))
            return
        await self.app(scope, receive, _with_headers(send))


def refusal(scope: Scope, guard: Guard) -> Response | None:
    """The answer to a request that may not pass; None for one that may."""
    headers = Headers(scope=scope)
    if _host_name(headers.get("host", "")) not in guard.hosts:
        return PlainTextResponse("This name is not this page's.\n", 421)
    if guard.token is not None and not _same(_cookie(headers), guard.token):
        return _entrance(scope, guard.token)
    if scope["method"] not in SAFE_METHODS:
        if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
            return PlainTextResponse("Another site's form may not change anything here.\n", 403)
        if not _same(headers.get(FORGERY_HEADER, ""), guard.forgery):
            return PlainTextResponse("This request does not come from this page.\n", 403)
    return None


def _entrance(scope: Scope, token: str) -> Response:
    """With the token in the address: a cookie, and the same page without it.  Without: nothing to see."""
    words = parse_qsl(scope["query_string"].decode("latin-1"))
    if scope["method"] not in SAFE_METHODS or not _same(dict(words).get("token", ""), token):
        return PlainTextResponse("The address with the token, as the server printed it, is needed.\n", 401)
    rest = urlencode([(key, value) for key, value in words if key != "token"])
    path = "/" + str(scope["path"]).lstrip("/\\")  # never another host's
    answer = RedirectResponse(f"{path}?{rest}" if rest else path, 303)
    answer.set_cookie(COOKIE, token, httponly=True, samesite="strict")
    return answer


def _host_name(host: str) -> str:
    """The Host header without its port."""
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0].lower()


def _cookie(headers: Headers) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return "" if found is None else found.value


def _same(one: str, other: str) -> bool:
    """In a time that tells nothing of where they differ."""
    return hmac.compare_digest(one.encode(), other.encode())


def _with_headers(send: Send) -> Send:
    async def sending(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in HEADERS.items():
                headers.setdefault(name, value)
            headers.setdefault("content-security-policy", POLICY)
        await send(message)

    return sending
