"""Many phones at once: how long each waits for a page and for the answer to a photo, and memory.

    python -m tests.load [--phones 50] [--house DIR]

Builds the invented house of the demonstration (kept in ``build/load-house``, or another folder),
serves it over TLS in a process of its own, and lets so many crew members work at the same time,
each on a phone of their own: they look at tonight, the list of steps and a step, and send a photo
of 3 to 5 megapixels to be judged. Prints for each kind of request the median, the 95th percentile
and the longest time, the same for one phone alone, and the server's peak memory.
"""

from __future__ import annotations

import argparse
import os
import re
import socket
import ssl
import statistics
import subprocess
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import httpx2

from verify.cli.demo_house import build_in, pins_of, records_of
from verify.resources import demo_data_folder
from verify.settings import read_settings

MACHINE = "pier-3"
STEP = "door-front"
PERSON = "tomek"


@dataclass
class Times:
    """Seconds of requests, by what they asked for."""

    seconds: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    lock: threading.Lock = field(default_factory=threading.Lock)

    @contextmanager
    def taken(self, what: str) -> Iterator[None]:
        started = time.perf_counter()
        yield
        took = time.perf_counter() - started
        with self.lock:
            self.seconds[what].append(took)


def main(argv: Sequence[str] | None = None) -> None:
    """Run both rounds and print a table."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--phones", type=int, default=50)
    parser.add_argument("--house", type=Path, default=Path("build/load-house"))
    given = parser.parse_args(argv)
    if not (given.house / "complete").is_file():
        print("building the invented house", file=sys.stderr)
        given.house.mkdir(parents=True, exist_ok=True)
        build_in(given.house, read_settings())
    with serving(given.house) as (url, process):
        rebuild = rebuild_of(given.house)
        alone = Times()
        round_of(url, rebuild, 1, alone)  # warms up, is not counted
        alone = Times()
        round_of(url, rebuild, 1, alone)
        together = Times()
        started = time.perf_counter()
        round_of(url, rebuild, given.phones, together)
        took = time.perf_counter() - started
        peak = peak_of(process.pid)
    table(alone, together, given.phones)
    photos = len(together.seconds["photo"])
    print(f"{photos / took:.1f} photos a second; server's peak memory {peak:.0f} MB")


@contextmanager
def serving(house: Path) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """Serve a house in a process of its own."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "verify.cli", "demo", "--serve", "--house", str(house)]
    process = subprocess.Popen([*command, "--port", str(port)], stdout=subprocess.DEVNULL)
    url = f"https://127.0.0.1:{port}"
    try:
        for _ in range(600):
            try:
                httpx2.get(f"{url}/sign-in", verify=unchecked())
                break
            except httpx2.TransportError:
                time.sleep(0.1)
        yield url, process
    finally:
        process.terminate()
        process.wait(20)


def unchecked() -> ssl.SSLContext:
    """Return a context that takes any certificate: the server is this computer."""
    context = ssl.create_default_context()
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return context


def rebuild_of(house: Path) -> str:
    """Return the rebuild that is under way."""
    from verify.store.home import open_home

    with open_home(records_of(house)) as home:
        going_on = home.rebuilds.going_on(MACHINE)
    assert going_on is not None
    return going_on


def round_of(url: str, rebuild: str, phones: int, times: Times) -> None:
    """Let phones work at the same time, each once."""
    photos = sorted((demo_data_folder() / "photos" / MACHINE / "test").glob(f"{STEP}-*.jpg"))
    pin = pins_of(demo_data_folder() / "scenario.toml")[PERSON][2]
    cookie = signed_in(url, pin)

    def phone(number: int) -> None:
        photo = photos[number % len(photos)]
        with httpx2.Client(base_url=url, verify=unchecked(), timeout=300) as client:
            client.headers["cookie"] = cookie
            work(client, rebuild, photo.read_bytes() + os.urandom(16), times)

    with ThreadPoolExecutor(phones) as pool:
        list(pool.map(phone, range(phones)))


def signed_in(url: str, pin: str) -> str:
    """Return the cookie of one crew member; all phones of the round share it."""
    with httpx2.Client(base_url=url, verify=unchecked()) as client:
        token = client.get("/who.json")
        cookie = token.headers["set-cookie"].partition(";")[0]
        data = {"token": token.json()["token"], "person": PERSON, "pin": pin}
        answer = client.post("/sign-in", data=data, headers={"cookie": cookie})
        assert answer.status_code == 303, answer.text
        return str(answer.headers["set-cookie"]).partition(";")[0]


def work(client: httpx2.Client, rebuild: str, photo: bytes, times: Times) -> None:
    """Do what a crew member does at one photo step."""
    step = f"/rebuild/{rebuild}/step/{STEP}"
    for what, path in (("tonight", "/"), ("steps", f"/rebuild/{rebuild}"), ("step", step)):
        with times.taken(what):
            answer = client.get(path)
        assert answer.status_code == 200, answer.text
    token = re.search(r'name="token" value="([^"]+)"', answer.text)
    assert token
    data = {"token": token[1], "key": os.urandom(16).hex()}
    with times.taken("photo"):
        sent = client.post(
            f"{step}/photo", data=data, files={"picture": ("a.jpg", photo, "image/jpeg")}
        )
    assert sent.status_code == 303, sent.text


def peak_of(pid: int) -> float:
    """Return the peak memory of a process in MB (Linux)."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    return int(found[1]) / 1024 if found else float("nan")


def table(alone: Times, together: Times, phones: int) -> None:
    """Print the times of both rounds in seconds, and their ratio."""
    print(
        f"{'request':9} {'alone':>7} {'median':>8} {'95th':>8} {'longest':>8}  of {phones} phones"
    )
    for what, seconds in together.seconds.items():
        one = statistics.median(alone.seconds[what])
        high = statistics.quantiles(seconds, n=20)[-1] if len(seconds) > 1 else seconds[0]
        middle = statistics.median(seconds)
        print(f"{what:9} {one:7.2f} {middle:8.2f} {high:8.2f} {max(seconds):8.2f}")


if __name__ == "__main__":
    main()
