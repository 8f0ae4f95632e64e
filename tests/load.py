"""Many phones at once: how long each waits for a page and for the answer to a photo, and memory.

    python -m tests.load [--phones 50] [--runs 3] [--over 60] [--cores 2] [--house DIR]

Builds the invented house of the demonstration once (kept in ``build/load-house``, or another
folder). Each run serves a fresh copy of it over TLS, in a process of its own that is held to two
cores, and lets so many crew members work, each on a phone of their own: they look at tonight, the
list of steps and a step, send a photo of 3 to 5 megapixels, and wait until they see the page with
the marked photo (*answer*). A first phone alone warms the server up and is not counted; a second
one alone gives the times without company. Then the phones come all in the same moment, and once
more spread evenly over a minute.

Prints for each kind of request the median, the 95th percentile and the longest time of all runs
together, the 95th percentile of each run, the server's peak memory, and how much of the cores
other programs took meanwhile: a figure from a busy machine is none. The phones run on this
computer too; on two cores they take their part of them.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import socket
import ssl
import statistics
import subprocess
import sys
import tempfile
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
from verify.settings import read_settings, usable_cores

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


@dataclass
class Run:
    """What one run on a fresh record gave."""

    alone: Times = field(default_factory=Times)
    together: Times = field(default_factory=Times)
    spread: Times = field(default_factory=Times)
    took: float = 0.0
    peak: float = 0.0
    others: float = 0.0


def main(argv: Sequence[str] | None = None) -> None:
    """Run all rounds and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__.partition("\n")[0])
    parser.add_argument("--phones", type=int, default=50)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--over", type=float, default=60, help="seconds, for the spread round")
    parser.add_argument("--cores", type=int, default=2)
    parser.add_argument("--house", type=Path, default=Path("build/load-house"))
    given = parser.parse_args(argv)
    if not (given.house / "complete").is_file():
        print("building the invented house", file=sys.stderr)
        given.house.mkdir(parents=True, exist_ok=True)
        build_in(given.house, read_settings())
    cores = sorted(os.sched_getaffinity(0))[: given.cores]
    load = os.getloadavg()[0]
    runs = []
    for number in range(given.runs):
        print(f"run {number + 1} of {given.runs}", file=sys.stderr)
        runs.append(one_run(given.house, given.phones, given.over, cores))
    print(f"server on {len(cores)} cores of {usable_cores()}; load before: {load:.2f}")
    alone = [run.alone for run in runs]
    table(alone, [run.together for run in runs], f"{given.phones} phones at once")
    table(alone, [run.spread for run in runs], f"{given.phones} phones over {given.over:.0f} s")
    photos = sum(len(run.together.seconds["photo"]) for run in runs)
    print(f"at once: {photos / sum(run.took for run in runs):.1f} photos a second")
    print(f"server's peak memory {max(run.peak for run in runs):.0f} MB")
    busy = ", ".join(f"{run.others:.0%}" for run in runs)
    print(f"other programs took of all cores, run by run: {busy}")


def one_run(template: Path, phones: int, over: float, cores: Sequence[int]) -> Run:
    """Serve a fresh copy of a house, and let the phones work."""
    run = Run()
    with tempfile.TemporaryDirectory(dir=template.parent) as place:
        house = Path(place) / "house"
        shutil.copytree(template, house)
        with serving(house, cores) as (url, process):
            rebuild = rebuild_of(house)
            round_of(url, rebuild, 1, 0, Times())  # warms up, is not counted
            round_of(url, rebuild, 1, 0, run.alone)
            before, own = busy_seconds(), own_seconds(process.pid)
            started = time.perf_counter()
            round_of(url, rebuild, phones, 0, run.together)
            run.took = time.perf_counter() - started
            round_of(url, rebuild, phones, over, run.spread)
            spent = time.perf_counter() - started
            strange = busy_seconds() - before - (own_seconds(process.pid) - own)
            run.others = max(0.0, strange) / spent / (os.cpu_count() or 1)
            run.peak = peak_of(process.pid)
    return run


@contextmanager
def serving(house: Path, cores: Sequence[int]) -> Iterator[tuple[str, subprocess.Popen[bytes]]]:
    """Serve a house in a process of its own."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [sys.executable, "-m", "verify.cli", "demo", "--serve", "--house", str(house)]
    process = subprocess.Popen([*command, "--port", str(port)], stdout=subprocess.DEVNULL)
    os.sched_setaffinity(process.pid, cores)  # before it has made any thread
    url = f"https://127.0.0.1:{port}"
    try:
        for _ in range(600):
            if process.poll() is not None:
                raise SystemExit(f"the server ended with {process.returncode}; see above")
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


def round_of(url: str, rebuild: str, phones: int, over: float, times: Times) -> None:
    """Let phones work, each once, all in the same moment or spread evenly over some seconds."""
    photos = sorted((demo_data_folder() / "photos" / MACHINE / "test").glob(f"{STEP}-*.jpg"))
    pin = pins_of(demo_data_folder() / "scenario.toml")[PERSON][2]
    cookie = signed_in(url, pin)

    def phone(number: int) -> None:
        photo = photos[number % len(photos)]
        time.sleep(number * over / phones)
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
    with times.taken("answer"):
        with times.taken("photo"):
            files = {"picture": ("a.jpg", photo, "image/jpeg")}
            sent = client.post(f"{step}/photo", data=data, files=files)
        assert sent.status_code == 303, sent.text
        page = client.get(sent.headers["location"].partition("#")[0])
        marked = re.search(r'src="(/rebuild/[^"]+/marked\.jpg)"', page.text)
        assert marked, page.text
        assert client.get(marked[1]).status_code == 200


def peak_of(pid: int) -> float:
    """Return the peak memory of a process in MB (Linux)."""
    status = Path(f"/proc/{pid}/status").read_text(encoding="utf-8")
    found = re.search(r"VmHWM:\s+(\d+) kB", status)
    return int(found[1]) / 1024 if found else float("nan")


def busy_seconds() -> float:
    """Return the time that all cores have spent on anything, in seconds (Linux)."""
    first = Path("/proc/stat").read_text(encoding="utf-8").splitlines()[0].split()[1:]
    ticks = [int(word) for word in first]
    idle = ticks[3] + ticks[4]  # idle, and waiting for a disk
    return (sum(ticks[:8]) - idle) / os.sysconf("SC_CLK_TCK")


def own_seconds(pid: int) -> float:
    """Return the processor time of the server and of the phones, in seconds (Linux)."""
    text = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    server = (int(text[11]) + int(text[12])) / os.sysconf("SC_CLK_TCK")
    return server + time.process_time()


def table(alone: Sequence[Times], many: Sequence[Times], title: str) -> None:
    """Print the seconds of a round, of all runs together and the 95th percentile of each run."""
    print(
        f"{title}\n{'':9} {'alone':>7} {'median':>8} {'95th':>8} {'longest':>8}   95th of each run"
    )
    for what in many[0].seconds:
        every = [second for times in many for second in times.seconds[what]]
        one = statistics.median(second for times in alone for second in times.seconds[what])
        each = "  ".join(f"{high_of(times.seconds[what]):.2f}" for times in many)
        row = f"{what:9} {one:7.2f} {statistics.median(every):8.2f} {high_of(every):8.2f}"
        print(f"{row} {max(every):8.2f}   {each}")


def high_of(seconds: Sequence[float]) -> float:
    """Return the 95th percentile."""
    return (
        statistics.quantiles(seconds, n=20, method="inclusive")[-1]
        if len(seconds) > 1
        else seconds[0]
    )


if __name__ == "__main__":
    main()
