"""Who may talk to the page."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient
from starlette.applications import Starlette
from starlette.responses import PlainTextResponse
from starlette.routing import Route

from toprung.web.guard import COOKIE, FORGERY_HEADER, POLICY, Guard, Guarded, guard_of, refusal


def client(guard: Guard, host: str = "localhost:8743") -> TestClient:
    async def anything(request):
        return PlainTextResponse("inside")

    app = Starlette(routes=[Route("/{path:path}", anything, methods=["GET", "POST", "PUT", "DELETE"])])
    return TestClient(Guarded(app, guard), base_url=f"http://{host}", follow_redirects=False)


def test_here_no_token_is_needed():
    assert client(guard_of("127.0.0.1")).get("/site").text == "inside"


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "localhost.evil.example:8743", "[::2]"]
)
def test_another_host_name_is_refused(host):
    answer = client(guard_of("127.0.0.1")).get("/site", headers={"host": host})
    assert answer.status_code == 421
    assert "inside" not in answer.text


def test_elsewhere_there_is_always_a_token():
    guard = guard_of("10.77.2.40")
    assert guard.token
    assert guard_of("10.77.2.40").token != guard.token
    asked = client(guard, "10.77.2.40:8743")
    assert asked.get("/site").status_code == 401
    assert asked.get("/site?token=wrong").status_code == 401
    assert asked.post(f"/site?token={guard.token}").status_code == 401


def test_the_token_becomes_a_cookie_and_leaves_the_address():
    guard = guard_of("10.77.2.40")
    asked = client(guard, "10.77.2.40:8743")
    answer = asked.get(f"/ladder?rung=path&token={guard.token}")
    assert answer.status_code == 303
    assert answer.headers["location"] == "/ladder?rung=path"
    cookie = answer.headers["set-cookie"].lower()
    assert cookie.startswith(COOKIE)
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert asked.get("/ladder").text == "inside"


def test_the_entrance_leads_to_no_other_host():
    guard = guard_of("10.77.2.40")
    scope = {
        "type": "http",
        "method": "GET",
        "path": "//evil.example/x",
        "query_string": f"token={guard.token}".encode(),
        "headers": [(b"host", b"10.77.2.40")],
    }
    assert refusal(scope, guard).headers["location"] == "/evil.example/x"


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE"])
def test_a_change_needs_this_pages_header(method):
    guard = guard_of("127.0.0.1")
    asked = client(guard)
    assert asked.request(method, "/site").status_code == 403
    assert asked.request(method, "/site", headers={FORGERY_HEADER: "guessed"}).status_code == 403
    assert asked.request(method, "/site", headers={FORGERY_HEADER: guard.forgery}).text == "inside"


def test_another_sites_form_is_refused_even_with_the_header():
    guard = guard_of("127.0.0.1")
    headers = {FORGERY_HEADER: guard.forgery, "sec-fetch-site": "cross-site"}
    assert client(guard).post("/site", headers=headers).status_code == 403


def test_every_answer_carries_the_policy():
    asked = client(guard_of("127.0.0.1"))
    for answer in (asked.get("/site"), asked.post("/site"), asked.get("/", headers={"host": "evil.example"})):
        assert answer.headers["content-security-policy"] == POLICY
        assert answer.headers["x-content-type-options"] == "nosniff"
    assert "unsafe" not in POLICY


def test_a_broken_cookie_is_no_token():
    guard = guard_of("10.77.2.40")
    answer = client(guard, "10.77.2.40").get("/site", headers={"cookie": 'toprung="\x01;;=='})
    assert answer.status_code == 401
