"""The page's own process, over the network as a browser has it."""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import signal
import socket
import ssl
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import httpx
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID

from controller.engine import messages as m
from controller.engine.view import RunState
from controller.page import process
from controller.page.messages import Limits
from controller.units import FilterState
from tests.engine.builder import at
from tests.operator.views import ASKS_OFF, CALM, with_rig
from tests.page.serving import PATIENCE_S, Events, Served, loose, serving, until, word

MARKS = itertools.count()
NO_WORD_ID = "6f1c9a4e-2b7d-4c35-9e18-0d5a7b3c2f61"
"""The same in every process: tests are told apart by their parameters."""
OFF, ON = FilterState.OFF, FilterState.ON
PATHS = [
    ("GET", "/api/day"), ("GET", "/api/events"), ("GET", "/api/pictures/long"), ("GET", "/api/openapi.json"),
    ("POST", "/api/words"), ("POST", "/api/leave"), ("GET", "/api/nothing"), ("PUT", "/api/words"),
    ("DELETE", "/api/day"), ("OPTIONS", "/api/words"), ("HEAD", "/api/day"), ("GET", "/api"),
]  # fmt: skip


@pytest.fixture(scope="module")
def served() -> Iterator[Served]:
    """A page that bears what these tests do to it."""
    with serving(loose()) as one:
        one.page.show(CALM)
        yield one


def show(served: Served, view: Any) -> None:
    """Show a view, and wait until the page has it."""
    with served.paired() as client, contextlib.closing(Events(client)) as events:
        mark = f"sentence {next(MARKS)}"
        served.page.show(replace(view, last_said=mark))
        while json.loads(events.next("view"))["last_said"] != mark:
            pass


# --- who gets in ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("method", "path"), PATHS)
def test_a_stranger_is_refused_everywhere_and_told_nothing(served: Served, method: str, path: str) -> None:
    """HF-S27: without a session, or with a made-up one, every path under /api is 403 with the same few words."""
    for cookie in ("", f"holdfire_{served.port}=" + "A" * 43):
        with served.client() as stranger:
            stranger.headers["Cookie"] = cookie
            answer = stranger.request(method, path, json=word("stop", confirmed=True))
        assert answer.status_code == 403
        assert answer.text == ("" if method == "HEAD" else '{"detail": "Refused."}')
    assert served.said() == []


def test_the_page_itself_holds_no_secret(served: Served) -> None:
    """Page and files are given to anybody, and hold neither the code nor anything of the day."""
    with served.client() as stranger:
        page = stranger.get("/")
        script = stranger.get("/static/page.js")
        assert stranger.get("/static/..%2fapp.py").status_code == 404
        assert stranger.get("/docs").status_code == 404
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert script.headers["content-type"] == "text/javascript; charset=utf-8"
    assert served.page.code not in page.text + script.text


def test_a_code_pairs_one_browser(served: Served) -> None:
    """HF-S28: the shown code gives a session once; then another one is shown. The cookie is kept from scripts."""
    with served.client() as first, served.client() as second:
        code = served.page.code
        answer = first.post("/api/pair", json={"code": code})
        assert answer.status_code == 204
        words = [part.strip() for part in answer.headers["set-cookie"].split(";")]
        assert {"HttpOnly", "SameSite=strict", "Path=/"} <= set(words)
        assert "Secure" not in words
        until(lambda: served.page.code != code)
        assert second.post("/api/pair", json={"code": code}).status_code == 403
        assert second.get("/api/day").status_code == 403
        assert first.get("/api/day").json()["title"]
        assert first.post("/api/leave").status_code == 204
        assert first.get("/api/day").status_code == 403


def test_wrong_codes_are_limited() -> None:
    """HF-S28: after five wrong codes not even the right one counts for a minute, and the journal says why."""
    with serving() as served, served.client() as guesser:
        answers = [guesser.post("/api/pair", json={"code": f"{n:08}"}).status_code for n in range(5)]
        assert answers == [403] * 5
        assert guesser.post("/api/pair", json={"code": served.page.code}).status_code == 429
        noted = served.events.get(timeout=PATIENCE_S)
        assert isinstance(noted, m.Noted)
        assert "wrong pairing codes from 127.0.0.1" in noted.text


def test_sessions_are_bounded() -> None:
    """The 65th paired browser ends the session that was used longest ago, and no other."""
    with serving(loose()) as served:
        clients = [served.paired() for _ in range(65)]
        kept = [client.get("/api/day").status_code for client in clients]
        assert kept == [403] + [200] * 64
        for client in clients:
            client.close()


# --- where it comes from, and what it is given ---------------------------------------------------------


@pytest.mark.parametrize(
    "host", ["evil.example:{port}", "127.0.0.1:1", "127.0.0.1", "", "a@127.0.0.1:{port}"]
)
def test_a_foreign_host_is_refused(served: Served, host: str) -> None:
    """HF-S27: a name that leads here by a trick of DNS is no name of ours, on any path."""
    with served.paired() as client:
        for path in ("/", "/api/day"):
            answer = client.get(path, headers={"Host": host.format(port=served.port)})
            assert answer.status_code in (400, 403)  # the empty one is refused by the server itself


def test_its_own_names_are_taken(served: Served) -> None:
    """The address that was reached, and localhost, may be called."""
    with served.paired() as client:
        for host in (f"127.0.0.1:{served.port}", f"LOCALHOST:{served.port}"):
            assert client.get("/api/day", headers={"Host": host}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "http://evil.example"}, {"Origin": "null"}, {"Origin": ""}, {"Origin": "https://127.0.0.1:{port}"},
        {"Origin": "http://127.0.0.1:1"}, {"Origin": "http://localhost:{port}"},
        {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"},
    ],
)  # fmt: skip
def test_a_foreign_origin_presses_nothing(served: Served, headers: dict[str, str]) -> None:
    """HF-S27: a word from a page of somebody else's is refused even in a paired browser."""
    with served.paired() as client:
        sent = {key: value.format(port=served.port) for key, value in headers.items()}
        assert client.post("/api/words", json=word("pause"), headers=sent).status_code == 403
        del client.headers["Origin"]
        assert client.post("/api/words", json=word("pause")).status_code == 403
    assert served.said() == []


def test_every_answer_carries_its_headers(served: Served) -> None:
    """Pages, data and refusals forbid foreign scripts, frames, storing and guessing of types."""
    with served.paired() as client, served.client() as stranger:
        for answer in (client.get("/"), client.get("/api/day"), stranger.get("/api/day"), client.get("/no")):
            policy = answer.headers["content-security-policy"]
            assert policy.startswith("default-src 'none'")
            assert "frame-ancestors 'none'" in policy
            assert "unsafe" not in policy
            assert answer.headers["x-content-type-options"] == "nosniff"
            assert answer.headers["cache-control"] == "no-store"
            assert answer.headers["referrer-policy"] == "no-referrer"
            assert "server" not in answer.headers


def test_long_bodies_are_refused(served: Served) -> None:
    """A body over the limit is 413, whether its length is told or not."""
    with served.paired() as client:
        long = b'{"code": "' + b"1" * 5000 + b'"}'
        assert client.post("/api/words", content=long).status_code == 413
        assert client.post("/api/words", content=iter([long[:3000], long[3000:]])).status_code == 413


@pytest.mark.parametrize(
    "body",
    [
        b"", b"[]", b"{", b"[" * 4000, b'{"id": 1}', b'{"kind": NaN}', b'{"rig": "\\ud800"}', b"\xff\xfe",
        *(
            json.dumps({"id": NO_WORD_ID, **said}).encode()
            for said in (
                {"kind": "filter"}, {"kind": "pause", "state": "on"}, {"kind": "filter", "state": "unsaid"},
                {"kind": "pause", "rig": "nobody"}, {"kind": "pause", "more": 1}, {"kind": "fire"},
            )
        ),
    ],
)  # fmt: skip
def test_what_is_no_word_is_told_so(served: Served, body: bytes) -> None:
    """Nonsense is answered by 422 or 400, and nothing reaches the run."""
    with served.paired() as client:
        answer = client.post("/api/words", content=body, headers={"Content-Type": "application/json"})
        assert answer.status_code in (400, 422)
    assert served.said() == []


def test_with_a_certificate_it_speaks_tls_alone(tmp_path: Path) -> None:
    """HF-S27: HTTPS by the given certificate, a cookie for it alone, and no answer to plain HTTP."""
    certificate, key = self_made(tmp_path)
    context = ssl.create_default_context(cafile=str(certificate))
    with serving(tls=(certificate, key)) as served, served.client(verify=context) as client:
        answer = client.post("/api/pair", json={"code": served.page.code})
        assert answer.status_code == 204
        assert "Secure" in [part.strip() for part in answer.headers["set-cookie"].split(";")]
        assert client.get("/api/day").status_code == 200
        with pytest.raises(httpx.TransportError):
            httpx.get(f"http://127.0.0.1:{served.port}/")


def self_made(folder: Path) -> tuple[Path, Path]:
    """A certificate for 127.0.0.1 that vouches for itself, and its key."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "tent")])
    made = (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(datetime.now(UTC) - timedelta(days=1))
        .not_valid_after(datetime.now(UTC) + timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ip_address("127.0.0.1"))]), critical=False)
        .sign(key, hashes.SHA256())
    )
    certificate, key_file = folder / "tent.pem", folder / "tent.key"
    certificate.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    key_file.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
        )
    )
    return certificate, key_file


# --- words ----------------------------------------------------------------------------------------------


def test_words_of_every_kind_reach_the_run(served: Served) -> None:
    """Each word becomes the event that the same key of the terminal gives, with its id and where it was said."""
    show(served, ASKS_OFF)
    now = at(5)
    said = [
        (word("filter", state="off", rig="long"), m.FilterSaid(now_utc_ns=now, rig="long", state=OFF)),
        (word("filter", state="on"), m.FilterSaid(now_utc_ns=now, rig=None, state=ON)),
        (word("pause", rig="wide"), m.PauseAsked(now_utc_ns=now, rig="wide")),
        (word("go on"), m.GoOnAsked(now_utc_ns=now)),
    ]
    with served.paired() as client:
        for sent, _ in said:
            answer = client.post("/api/words", json=sent)
            assert (answer.status_code, answer.json()) == (202, {"id": sent["id"]})
    expected = [replace(event, by="page", word_id=sent["id"]) for sent, event in said]
    assert served.said() == expected


def test_a_word_for_all_is_for_the_rigs_that_are_asked(served: Served) -> None:
    """Without a rig, "off" is for the two of three rigs with a filter that are asked for it, under one id."""
    asked = replace(ASKS_OFF, rigs=(*ASKS_OFF.rigs, replace(CALM.rigs[0], name="fourth")))
    show(served, asked)
    sent = word("filter", state="off")
    with served.paired() as client:
        assert client.post("/api/words", json=sent).status_code == 202
        assert client.post("/api/words", json=sent).status_code == 202  # sent again by a bad network
    found = served.said()
    assert [event.rig for event in found if isinstance(event, m.FilterSaid)] == ["long", "wide"]
    assert {event.word_id for event in found if isinstance(event, m.FilterSaid)} == {sent["id"]}
    assert [event.more_follow for event in found if isinstance(event, m.FilterSaid)] == [True, False]


@pytest.mark.parametrize("act", [{"kind": "stop"}, {"kind": "filter", "state": "off"}])
def test_what_cannot_be_taken_back_needs_a_second_act(served: Served, act: dict[str, str]) -> None:
    """HF-S29: stop, and "off" that nobody asked for, count only after a question; "confirmed" alone does not."""
    show(served, CALM)
    with served.paired() as client:
        for confirmed in (True, False):  # it was not asked yet: the first "confirmed" is an accident
            answer = client.post("/api/words", json=word(**act, confirmed=confirmed))
            assert answer.status_code == 409
            assert answer.json()["question"]
        with served.paired() as other:
            assert other.post("/api/words", json=word(**act, confirmed=True)).status_code == 409
        assert served.said() == []
        assert client.post("/api/words", json=word(**act, confirmed=True)).status_code == 202
        assert len(served.said()) == 1
        assert client.post("/api/words", json=word(**act, confirmed=True)).status_code == 409


def test_a_second_act_counts_for_the_rigs_that_were_asked_about_alone(served: Served) -> None:
    """HF-S29: "off" that was asked about for one rig does not count for another that is asked for off by then."""
    show(served, with_rig(CALM, "long", filter_asked=OFF))
    late = {"seen_utc_ms": CALM.now_utc_ns // 1_000_000 - 60_000}
    with served.paired() as client:
        served.said()
        answer = client.post("/api/words", json=word("filter", state="off", **late))
        assert (answer.status_code, "(long)" in answer.json()["question"]) == (409, True)
        show(served, with_rig(with_rig(CALM, "long", filter_asked=OFF), "wide", filter_asked=OFF))
        answer = client.post("/api/words", json=word("filter", state="off", confirmed=True, **late))
        assert (answer.status_code, served.said()) == (409, [])
        answer = client.post("/api/words", json=word("filter", state="off", confirmed=True, **late))
        assert answer.status_code == 202


def test_off_said_at_sight_of_an_old_view_needs_a_second_act(served: Served) -> None:
    """HF-S29: "off" that a bad network brings late is asked about; "on" counts however late it comes."""
    show(served, ASKS_OFF)
    now_ms = ASKS_OFF.now_utc_ns // 1_000_000
    with served.paired() as client:
        old = {"seen_utc_ms": now_ms - 60_000}
        assert client.post("/api/words", json=word("filter", state="off", **old)).status_code == 409
        assert client.post("/api/words", json=word("filter", state="on", **old)).status_code == 202
        fresh = word("filter", state="off", seen_utc_ms=now_ms - 300)
        assert client.post("/api/words", json=fresh).status_code == 202


def test_off_that_wakes_up_with_a_page_that_stood_still_is_not_heard() -> None:
    """HF-S29: "off" and "go on" that the page passes on by a view long gone are noted and not heard; "on" is heard."""
    with serving(loose()) as served:
        show(served, replace(ASKS_OFF, now_utc_ns=at(5)))
        served.clock.sleep_until_ns(at(65))
        said = (word("filter", state="off"), word("go on"), word("filter", state="on"), word("pause"))
        with served.paired() as client:
            assert [client.post("/api/words", json=sent).status_code for sent in said] == [202] * 4
        off, go_on, on, pause = served.said()
    assert isinstance(off, m.Noted)
    assert off.text == "the page stood still: not heard, 60 s old: filter is OFF (all rigs)"
    assert isinstance(go_on, m.Noted)
    assert isinstance(on, m.FilterSaid)
    assert isinstance(pause, m.PauseAsked)


def test_words_are_limited_by_session_and_refused_when_there_is_no_run() -> None:
    """One session's flood is 429 and leaves another's words alone; a run that is over hears nothing."""
    with serving(replace(Limits(), words=3)) as served, served.paired() as first, served.paired() as second:
        assert first.post("/api/words", json=word("pause")).status_code == 422  # nothing is shown yet
        show(served, CALM)
        answers = [first.post("/api/words", json=word("pause")).status_code for _ in range(4)]
        assert answers == [202, 202, 202, 429]
        assert second.post("/api/words", json=word("pause")).status_code == 202
        show(served, replace(CALM, state=RunState.FINISHED))
        assert second.post("/api/words", json=word("pause")).status_code == 422


# --- what is shown --------------------------------------------------------------------------------------


def test_events_tell_views_and_sentences(served: Served) -> None:
    """A stream begins with the newest view, in milliseconds UTC, and brings each sentence as it is spoken."""
    show(served, with_rig(CALM, "wide", battery_percent=7))
    with served.paired() as client, contextlib.closing(Events(client)) as events:
        assert events.answer.headers["content-type"].startswith("text/event-stream")
        view = json.loads(events.next("view"))
        assert view["now_utc_ms"] == CALM.now_utc_ns // 1_000_000
        assert view["next_contact"] == "C2"
        assert [rig["battery_percent"] for rig in view["rigs"]] == [83, 7, 83]
        assert view["rigs"][2]["filter_said"] == CALM.rigs[2].filter_said.value
        served.page.say("Filter off now", urgent=True)
        said = json.loads(events.next("say"))
        expected = {"text": "Filter off now", "urgent": True, "utc_ms": at(5) // 1_000_000, "language": "en"}
        assert said == expected


def test_what_was_heard_comes_back_in_the_view(served: Served) -> None:
    """The page learns that a word was heard from the engine's view alone, not from the answer to its request."""
    show(served, CALM)
    sent = word("pause")
    with served.paired() as client, contextlib.closing(Events(client)) as events:
        assert client.post("/api/words", json=sent).status_code == 202
        assert json.loads(events.next("view"))["heard"] == []
        served.page.show(replace(CALM, heard=(sent["id"],)))
        assert json.loads(events.next("view"))["heard"] == [sent["id"]]
    served.said()


def test_pictures_are_given_where_there_are_any(served: Served) -> None:
    """A rig's newest thumbnail, with its number in the view; 404 for a rig without one."""
    served.page.picture("wide", 3, b"\xff\xd8 made up \xff\xd9")
    show(served, replace(CALM, alarm="a picture has come"))
    with served.paired() as client, contextlib.closing(Events(client)) as events:
        rigs = json.loads(events.next("view"))["rigs"]
        assert [rig["picture"] for rig in rigs] == [None, 3, None]
        answer = client.get("/api/pictures/wide")
        assert (answer.headers["content-type"], answer.content[:2]) == ("image/jpeg", b"\xff\xd8")
        assert client.get("/api/pictures/long").status_code == 404


def test_pictures_crowd_out_no_sentence_and_outlive_the_page() -> None:
    """HF-S18: of a flood of pictures the newest of each rig is kept, beside what is to be said and for a new process."""
    with serving() as served, served.paired() as client:
        show(served, CALM)
        pid = served.page.pid
        assert pid is not None
        with contextlib.closing(Events(client)) as events:
            os.kill(pid, signal.SIGSTOP)
            served.page.say("Filter off now", urgent=True)
            for number in range(1, 500):
                served.page.picture("long" if number % 2 else "wide", number, b"\xff\xd8" + bytes(20_000))
            os.kill(pid, signal.SIGCONT)
            assert json.loads(events.next("say"))["text"] == "Filter off now"
        os.kill(pid, signal.SIGKILL)
        until(lambda: served.page.pid != pid)
        assert served.page.wait_until_it_listens(PATIENCE_S)
        show(served, CALM)
        with contextlib.closing(Events(client)) as events:
            assert [rig["picture"] for rig in json.loads(events.next("view"))["rigs"]] == [499, 498, None]


def test_a_reader_that_takes_nothing_delays_nobody_and_is_let_go() -> None:
    """HF-S18: beside a reader that reads nothing, another gets each view; the idle one is cut off."""
    big = replace(CALM, rigs=tuple(replace(CALM.rigs[0], name=f"rig {n}") for n in range(300)))
    with serving(replace(loose(), send_s=0.5)) as served, served.paired() as client:
        idle = socket.socket()
        idle.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        idle.connect(("127.0.0.1", served.port))
        cookie = "; ".join(f"{one.name}={one.value}" for one in client.cookies.jar)
        request = f"GET /api/events HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\nCookie: {cookie}\r\n\r\n"
        idle.sendall(request.encode())
        with contextlib.closing(Events(client)) as events:
            for number in range(60):
                served.page.show(replace(big, alarm=f"number {number}"))
                while json.loads(events.next("view"))["alarm"] != f"number {number}":
                    pass
        idle.settimeout(PATIENCE_S)
        with idle, contextlib.suppress(ConnectionResetError):
            while idle.recv(1 << 20):
                pass  # it ends: nothing more is kept for this reader


def test_streams_are_bounded() -> None:
    """More streams than allowed are 429; a session that opens one too many loses its own oldest."""
    limits = replace(Limits(), streams=3, streams_of_a_session=2)
    with serving(limits) as served, served.paired() as first, served.paired() as second:
        served.page.show(CALM)
        streams = [Events(first), Events(first), Events(second)]
        assert [stream.answer.status_code for stream in streams] == [200, 200, 200]
        with contextlib.closing(Events(first)) as newest:
            newest.next("view")
            streams[0].read_to_its_end()
            assert second.get("/api/events").status_code == 429
        for stream in streams:
            stream.close()


# --- when it breaks -------------------------------------------------------------------------------------


def test_a_killed_page_is_started_again_with_its_sessions() -> None:
    """HF-S18: the process is killed; it is noted, started again, and a paired phone stays paired."""
    with serving() as served, served.paired() as client:
        code, pid = served.page.code, served.page.pid
        assert pid is not None
        os.kill(pid, signal.SIGKILL)
        noted = served.events.get(timeout=PATIENCE_S)
        assert isinstance(noted, m.Noted)
        assert "started again" in noted.text
        served.page.show(CALM)
        until(lambda: served.page.pid != pid)
        assert served.page.wait_until_it_listens(PATIENCE_S)
        assert client.get("/api/day").status_code == 200
        assert served.page.code == code
        with contextlib.closing(Events(client)) as events:
            assert json.loads(events.next("view"))["title"] == CALM.title


def test_a_page_that_keeps_dying_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """HF-S18: after a bounded number of tries the page stays off, and no code is shown any more."""
    monkeypatch.setattr(process, "TRIES", 1)
    with serving() as served:
        for _ in range(2):
            assert served.page.wait_until_it_listens(PATIENCE_S)
            pid = served.page.pid
            assert pid is not None
            os.kill(pid, signal.SIGKILL)
            noted = served.events.get(timeout=PATIENCE_S)
            assert isinstance(noted, m.Noted)
        assert "stays off" in noted.text
        until(lambda: served.page.code == "")
        served.page.show(CALM)
        served.page.say("nobody listens", urgent=False)


def test_a_page_that_fails_says_why_in_the_journal_and_not_on_the_screen(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    """HF-S18: an error of the page's process is noted with its reason; the operator's screen stays clean."""
    with serving(tls=(tmp_path / "gone.pem", tmp_path / "gone.key")) as served:
        noted = served.events.get(timeout=PATIENCE_S)
    assert isinstance(noted, m.Noted)
    assert "FileNotFoundError" in noted.text
    assert capfd.readouterr() == ("", "")


def test_a_stopped_page_holds_nobody_up() -> None:
    """HF-S18: while its process stands still, views and sentences by the thousand are taken at once and bounded."""
    with serving() as served:
        pid = served.page.pid
        assert pid is not None
        os.kill(pid, signal.SIGSTOP)
        for number in range(5000):
            served.page.show(replace(CALM, alarm=str(number)))
            served.page.say(f"sentence {number}", urgent=False)
        assert len(served.page._told) <= process._SENTENCES
        os.kill(pid, signal.SIGCONT)


def test_the_runs_process_imports_no_web_server() -> None:
    """The process that fires pays no memory for the page: only the page's own imports the server."""
    code = (
        "import sys; import controller.cli.runs, controller.page.process; "
        "print({'fastapi', 'starlette', 'uvicorn', 'segno'} & set(sys.modules))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
