"""``verify serve`` as a process: its own certificate, a given one, a proxy, what cannot be.

That phones can trust the certificate is asked of OpenSSL, which checks names and constraints.
"""

from __future__ import annotations

import os
import re
import signal
import socket
import ssl
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx2
import pytest

from verify.web.tls import own_certificate

Serve = Callable[..., "Served"]


@dataclass
class Served:
    """A running server, and what it printed before it listened."""

    process: subprocess.Popen[str]
    port: int
    home: Path
    lines: list[str]

    def client(self, context: ssl.SSLContext | None = None) -> httpx2.Client:
        scheme = "https" if context else "http"
        return httpx2.Client(
            base_url=f"{scheme}://localhost:{self.port}", verify=context or True, timeout=30
        )


def words(home: Path, *more: str) -> tuple[list[str], dict[str, str]]:
    environment = {**os.environ, "VERIFY_HOME": str(home), "VERIFY_CACHE": str(home / "cache")}
    return [sys.executable, "-m", "verify.cli", "serve", *more], environment


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Serve]:
    running: list[subprocess.Popen[str]] = []

    def start(*more: str) -> Served:
        home, port = tmp_path / "home", free_port()
        command, environment = words(home, "--host", "127.0.0.1", "--port", str(port), *more)
        with (tmp_path / "said").open("w", encoding="utf-8") as said:
            process = subprocess.Popen(command, env=environment, stdout=said, text=True)
        running.append(process)
        for _ in range(600):
            assert process.poll() is None, process.returncode
            lines = (tmp_path / "said").read_text(encoding="utf-8").splitlines()
            if any("/first" in line for line in lines) and answers(port):
                return Served(process, port, home, lines)
            time.sleep(0.05)
        raise AssertionError(f"it never listened: {lines}")

    yield start
    for process in running:
        process.kill()
        process.wait()


def answers(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def test_its_own_certificate_is_one_that_a_phone_can_trust(serve: Serve) -> None:
    served = serve()
    tls = served.home / "keys" / "tls"
    root = tls / "verify-root.crt"
    with served.client(ssl.create_default_context(cafile=str(root))) as client:
        assert client.get("/first").status_code == 200
        assert client.get("/trust/verify.crt").content.strip() in (
            root.read_bytes().strip(),
            ssl.PEM_cert_to_DER_cert(root.read_text()),
        )
    with served.client(ssl.create_default_context()) as client, pytest.raises(httpx2.ConnectError):
        client.get("/first")
    said = "\n".join(served.lines)
    shown = subprocess.run(
        ["openssl", "x509", "-in", str(root), "-noout", "-fingerprint", "-sha256"],
        check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    assert shown.partition("=")[2].strip().replace(":", "") in said.replace(" ", "")
    check = ["openssl", "verify", "-CAfile", str(root), str(tls / "server.crt")]
    assert subprocess.run(check, capture_output=True).returncode == 0
    assert (tls / "server.key").stat().st_mode & 0o077 == 0
    assert list(tls.glob("*root*.key")) == []  # nobody can make another one
    served.process.send_signal(signal.SIGINT)
    assert served.process.wait(20) == 130


def test_a_given_certificate_is_used(serve: Serve, tmp_path: Path) -> None:
    given = own_certificate(tmp_path / "given", ["localhost"])
    assert given.root is not None
    served = serve("--cert", str(given.chain), "--key", str(given.key))
    with served.client(ssl.create_default_context(cafile=str(given.root))) as client:
        assert client.get("/first").status_code == 200
        assert client.get("/trust/verify.crt").status_code == 404  # it is not ours to hand out
    assert not (served.home / "keys" / "tls").exists()


def test_a_proxys_word_is_taken_for_who_is_calling(serve: Serve) -> None:
    served = serve("--behind-proxy", "127.0.0.1")
    assert f"http://127.0.0.1:{served.port}" in served.lines[0]
    code = re.search(r"code ([0-9a-f]{8})", "\n".join(served.lines))
    assert code
    with served.client() as client:
        answer = client.get("/first")
        assert "Secure" in answer.headers["set-cookie"]
        cookie = answer.headers["set-cookie"].partition(";")[0]
        token = client.get("/who.json", headers={"cookie": cookie}).json()["token"]

        def guess(caller: str) -> int:
            headers = {"cookie": cookie, "x-forwarded-for": caller, "x-forwarded-proto": "https"}
            fields = {"token": token, "person": "nobody", "pin": "604918"}
            return int(client.post("/sign-in", data=fields, headers=headers).status_code)

        first = [guess("203.0.113.7") for _ in range(31)]
        assert first[:30] == [401] * 30 and first[30] == 429
        assert guess("203.0.113.8") == 401  # somebody else is not locked out with him


@pytest.mark.parametrize("flaw", ["no-certificate", "other-key", "locked"])
def test_a_certificate_that_cannot_be_used_is_named(tmp_path: Path, flaw: str) -> None:
    given = own_certificate(tmp_path / "given", ["localhost"])
    chain, key = given.chain, given.key
    if flaw == "no-certificate":
        chain = tmp_path / "note.txt"
        chain.write_text("not a certificate", encoding="utf-8")
    elif flaw == "other-key":
        key = own_certificate(tmp_path / "other", ["localhost"]).key
    else:
        locked = tmp_path / "locked.key"
        subprocess.run(
            ["openssl", "pkcs8", "-topk8", "-in", str(key), "-out", str(locked),
             "-passout", "pass:not-a-secret"],
            check=True, capture_output=True,
        )  # fmt: skip
        key = locked
    command, environment = words(tmp_path / "home", "--cert", str(chain), "--key", str(key))
    ended = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=60)
    assert ended.returncode == 2, ended.stderr
    assert ended.stdout == ""
    assert str(key) in ended.stderr and "Traceback" not in ended.stderr
    assert ("password" in ended.stderr) == (flaw == "locked")


def test_a_port_that_is_taken_is_named(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = str(taken.getsockname()[1])
        command, environment = words(tmp_path / "home", "--host", "127.0.0.1", "--port", port)
        ended = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=60)
    assert ended.returncode == 2, ended.stderr
    assert port in ended.stderr and "--port" in ended.stderr
    assert ended.stdout == ""  # no address is told that nobody answers at


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--cert", "a.pem"), "--key"),
        (("--cert", "a.pem", "--key", "b.pem"), "a.pem is not there"),
        (("--cert", "a.pem", "--key", "b.pem", "--behind-proxy", "127.0.0.1"), "leave --cert"),
    ],
)
def test_wrong_use_is_named(tmp_path: Path, more: tuple[str, ...], said: str) -> None:
    command, environment = words(tmp_path / "home", *more)
    ended = subprocess.run(command, env=environment, capture_output=True, text=True, timeout=60)
    assert ended.returncode == 2
    assert said in ended.stderr
