"""Requests that mean harm. Paths encoded as in the OWASP testing guide's section on traversal."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from lashwave.serving.security import LARGEST_BODY

from .conftest import TOKEN, client_of

ADDRESSES = [
    "/api/ping",
    "/api/trials",
    "/api/trials/trial",
    "/api/trials/trial/motion",
    "/api/trials/trial/sightings",
    "/api/trials/trial/mends",
    "/api/trials/trial/answers.zip",
    "/api/trials/trial/report.html",
    "/api/events",
    "/api/new/folders",
    "/api",
    "/api/",
    "/api/nothing",
]
TRAVERSALS = [
    "..",
    "../secret",
    "..%2fsecret",
    "%2e%2e%2fsecret",
    "%2e%2e/secret",
    "..%5csecret",
    "%252e%252e%252fsecret",
    "..%c0%afsecret",
    "....//secret",
    "%00",
    "trial%00",
    "trial%2f..%2ftrial",
    "/etc/passwd",
    "%2fetc%2fpasswd",
    "~",
    ".",
    "%2e",
    ".lashwave-cache",
    "C:%5cwindows",
    "trial%0a",
    "file:%2f%2f%2fetc%2fpasswd",
    "a" * 5000,
    "link",
    "trial.answers",
    "secret",
]


@pytest.fixture
def trapped(bench: Path) -> Path:
    """DIR inside a folder that holds a secret, with links that lead to it."""
    outside = bench.parent / "outside"
    outside.mkdir()
    (outside / "trial.toml").write_text("the secret")
    (outside / "summary.json").write_text('{"trial": "the secret"}')
    (bench.parent / "secret").write_text("the secret")
    (bench / "link").symlink_to(outside)
    (bench / "secret").symlink_to(bench.parent / "secret")
    return bench


def contents(folder: Path) -> dict[str, str]:
    """Hash of every file below a folder, the server's own cache left out."""
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file() and ".lashwave-cache" not in p.parts
    }


@pytest.mark.parametrize("address", ADDRESSES)
@pytest.mark.parametrize("token", [None, "", "x", TOKEN[:-1], TOKEN + "x", TOKEN.upper(), "ü"])
def test_no_word_without_the_token(tmp_path: Path, address: str, token: str | None) -> None:
    client = client_of(tmp_path)
    del client.headers["X-Lashwave-Token"]
    ways = [{"params": {"token": token}}] if token is not None else [{}]
    if token and token.isascii():
        ways.append({"headers": {"X-Lashwave-Token": token}})
    for way in ways:
        answer = client.get(address, **way)
        assert answer.status_code == 401 and set(answer.json()) == {"error", "field"}


def test_the_token_may_stand_in_the_address(tmp_path: Path) -> None:
    client = client_of(tmp_path)
    del client.headers["X-Lashwave-Token"]
    assert client.get(f"/api/ping?token={TOKEN}").json()["alive"] is True


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        "127.0.0.1.evil.example",
        "evil.example:8000",
        "localhost.evil.example",
        "",
        "127.0.0.2",
        "0.0.0.0",
        "[::2]",
        "127.0.0.1:80:80",
        "127.0.0.1@evil.example",
        "2130706433",
    ],
)
def test_a_name_that_only_points_here_is_refused(tmp_path: Path, host: str) -> None:
    """DNS rebinding: the browser believes to talk to evil.example."""
    client = client_of(tmp_path)
    for address in ("/api/ping", "/"):
        answer = client.get(address, headers={"Host": host})
        assert answer.status_code == 400 and "alive" not in answer.text


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost:1", "[::1]:65535", "LOCALHOST"])
def test_loopback_names_are_taken(tmp_path: Path, host: str) -> None:
    assert client_of(tmp_path).get("/api/ping", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null"},
        {"Origin": "http://127.0.0.1:9"},
        {"Origin": "https://127.0.0.1:8000"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_another_site_is_refused(tmp_path: Path, headers: dict[str, str]) -> None:
    answer = client_of(tmp_path).post("/api/new/inspect", headers=headers, json={"path": "x"})
    assert answer.status_code == 403


@pytest.mark.parametrize("name", TRAVERSALS)
def test_no_path_leaves_the_folder(trapped: Path, name: str) -> None:
    before, outside = contents(trapped), contents(trapped.parent / "outside")
    body = {"mends": []}
    with client_of(trapped) as client:
        for end in (
            "",
            "/motion",
            "/mends",
            "/thumbnail.svg",
            "/report.html",
            "/frames/tip-view/0",
        ):
            answer = client.get(f"/api/trials/{name}{end}")
            assert "the secret" not in answer.text and "root:" not in answer.text
            good = answer.status_code in (307, 308, 400, 404, 405, 422)
            assert good or (name in (".", "%2e") and not end), (end, answer.status_code)
        wrote = client.put(f"/api/trials/{name}/mends", json=body, headers={"If-Match": "none"})
        assert wrote.status_code in (400, 404, 405)
        for key in ("run", "film", "mends/undo"):
            assert client.post(f"/api/trials/{name}/{key}", json={}).status_code in (400, 404, 405)
        for key in ("inspect", "check", "write"):
            sent = {"path": name, "description": {"line": {"table": "trial.toml"}}, "folder": "new"}
            answer = client.post(f"/api/new/{key}", json=sent)
            assert answer.status_code in (404, 422) or name == "trial.answers", answer.text
            assert "the secret" not in answer.text
    assert contents(trapped) == before and contents(trapped.parent / "outside") == outside


@pytest.mark.parametrize(
    "name", ["../new", "/tmp/new", "..", ".new", "a/b", "a\\b", "", "link", "new\n"]
)
def test_no_new_trial_outside(trapped: Path, name: str) -> None:
    (trapped / "raw").mkdir()
    (trapped / "raw" / "line.csv").write_text("station [m],diameter [m]\n0,1\n1,1\n")
    before = contents(trapped.parent)
    with client_of(trapped) as client:
        sent = {"path": "raw", "description": {}, "folder": name}
        assert client.post("/api/new/write", json=sent).status_code in (409, 422)
    assert contents(trapped.parent) == before


@pytest.mark.parametrize("file", ["../secret", "/etc/passwd", "out", "../*", "out/*", "..\\secret"])
def test_no_new_trial_takes_files_from_outside(trapped: Path, file: str) -> None:
    (trapped / "raw").mkdir()
    (trapped / "raw" / "out").symlink_to(trapped.parent)
    described = {
        "line": {"table": file},
        "markers": {"file": file},
        "cameras": [{"points": file, "frames": file, "calibration": file}],
    }
    with client_of(trapped) as client:
        sent = {"path": "raw", "description": described, "folder": "new"}
        for key in ("check", "write"):
            answer = client.post(f"/api/new/{key}", json=sent)
            assert "the secret" not in answer.text and "root:" not in answer.text
            assert answer.json()["faults"]
    assert not (trapped / "new").exists()


def test_links_in_place_of_mends_and_answers(trapped: Path) -> None:
    outside = trapped.parent / "outside"
    (trapped / "trial.mends.toml").symlink_to(outside / "trial.toml")
    with client_of(trapped) as client:
        for way in (client.get, lambda a: client.put(a, json={"mends": []})):
            answer = way("/api/trials/trial/mends")
            assert answer.status_code == 403 and "the secret" not in answer.text
    (trapped / "trial.mends.toml").unlink()
    os.rename(trapped / "trial.answers", trapped.parent / "elsewhere")
    (trapped / "trial.answers").symlink_to(trapped.parent / "elsewhere")
    with client_of(trapped) as client:
        assert client.get("/api/trials/trial/motion").status_code == 403
        assert client.post("/api/trials/trial/run", json={}).status_code == 403


def test_a_linked_cache_is_left_alone(trapped: Path) -> None:
    (trapped / ".lashwave-cache").symlink_to(trapped.parent / "outside")
    before = contents(trapped.parent / "outside")
    with client_of(trapped) as client:
        assert client.get("/api/trials/trial/motion").status_code == 200
        put = client.put(
            "/api/trials/trial/mends", json={"mends": []}, headers={"If-Match": "none"}
        )
        assert put.status_code == 403
    assert contents(trapped.parent / "outside") == before


def test_a_huge_body(client: TestClient) -> None:
    address, tag = "/api/trials/trial/mends", {"If-Match": "none"}
    stated = client.put(address, content=b" " * (LARGEST_BODY + 1), headers=tag)
    assert stated.status_code == 413

    def endless():
        for _ in range(2 * LARGEST_BODY // 65536):
            yield b" " * 65536

    assert client.put(address, content=endless(), headers=tag).status_code == 413
    lying = client.put(address, content=b"{}", headers={**tag, "Content-Length": "-5"})
    assert lying.status_code in (400, 413)
    deep = client.put(address, content=b"[" * 100_000, headers=tag)
    assert deep.status_code == 400


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"null",
        b"[]",
        b"{",
        b"\xff\xfe",
        b'{"mends": 3}',
        b'{"mends": [3]}',
        b'{"mends": [{}]}',
        b'{"mends": null}',
    ],
)
def test_a_body_of_nonsense(client: TestClient, body: bytes) -> None:
    answer = client.put("/api/trials/trial/mends", content=body, headers={"If-Match": "none"})
    assert answer.status_code in (400, 422) and "\n" not in answer.json()["error"]


def test_every_answer_tells_the_browser_to_be_careful(client: TestClient) -> None:
    addresses = ("/", "/api/ping", "/api/nothing", "/nothing", "/api/trials/trial/motion")
    for address in addresses:
        headers = client.get(address).headers
        assert headers["x-content-type-options"] == "nosniff"
        assert (
            headers["cache-control"] == "no-store" and headers["referrer-policy"] == "no-referrer"
        )
        assert "default-src 'self'" in headers["content-security-policy"]
        assert "access-control-allow-origin" not in headers
    assert client.get("/api/ping", headers={"Host": "evil"}).headers["x-frame-options"] == "DENY"


def test_no_folder_is_listed(client: TestClient) -> None:
    for address in ("/assets", "/assets/", "/trial/", "/trial/trial.toml", "/../trial/line.csv"):
        assert client.get(address).status_code in (404, 405)


def test_the_report_runs_no_script_among_the_pages(client: TestClient) -> None:
    policy = client.get("/api/trials/trial/report.html").headers["content-security-policy"]
    assert "default-src 'none'" in policy and "script-src" not in policy
