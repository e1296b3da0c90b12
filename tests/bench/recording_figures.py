"""The recorder, fed by a rig that sends as quickly as it is read, or a thousand samples a second."""

import os
import pathlib
import re
import sqlite3
import subprocess
import sys
import time

from figures import SCALE, by_rounds, figure

SAMPLES = max(50_000, int(2_000_000 * SCALE))
TEN_HOURS = max(400_000, int(36_000_000 * SCALE))


class Played:
    """A rig on a pseudo-terminal, gone when the block ends."""

    def __init__(self, bench, name, samples, pace=None):
        self.line = bench.path(f"{name}.line")
        words = [self.line, samples] + ([pace] if pace else [])
        self.words = [bench.program("frame_player"), *map(str, words)]

    def __enter__(self):
        self.process = subprocess.Popen(self.words)
        while not self.line.exists():
            time.sleep(0.01)
        return self.line

    def __exit__(self, *_):
        self.process.terminate()
        self.process.wait()


def new_book(bench, name):
    book = bench.path(f"{name}.book")
    for old in bench.folder.glob(f"{name}.book*"):
        old.unlink()
    bench.call("loadline-db", "init", "--book", book)
    bench.call("loadline-db", "add", "rig", "bench", "--book", book)
    bench.call("loadline-db", "add", "motor", "M", "--book", book)
    return book


def recorder(bench, line, book):
    words = ["record", "brake", "--port", line, "--rig", "bench", "--motor", "M", "--yes",
             "--book", book]
    return subprocess.Popen([bench.program("loadline-logger"), *map(str, words)],
                            stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)


def finished(process, book, samples):
    """Waits for the recorder, and makes sure that what is timed was done."""
    said = process.communicate()[1]
    with sqlite3.connect(f"file:{book}?mode=ro", uri=True) as connection:
        stored = connection.execute("SELECT sample_count FROM run").fetchall()
    if process.returncode != 0 or stored != [(samples,)]:
        raise RuntimeError(f"recorded {stored} of {samples}: {said.splitlines()[-1:]}")


def record(bench, name, samples):
    """Samples a second from the first question to the rig until the run stands in the book."""
    book = new_book(bench, name)
    with Played(bench, name, samples) as line:
        began = time.perf_counter()
        finished(recorder(bench, line, book), book, samples)
        return samples / (time.perf_counter() - began)


def bare_rows(bench):
    """Rows a second of SQLite alone; leaves the file for the figure of its size."""
    for old in bench.folder.glob("bare.db*"):
        old.unlink()
    return float(bench.call("bare_rows", bench.path("bare.db"), SAMPLES))


def script(bench):
    """Samples a second of a plain recorder."""
    path = bench.path("script.db")
    with Played(bench, "script", SAMPLES) as line:
        began = time.perf_counter()
        subprocess.run([sys.executable, pathlib.Path(__file__).with_name("plain_recorder.py"),
                        line, path], check=True)
        took = time.perf_counter() - began
    path.unlink()
    return SAMPLES / took


@figure("recording/bare-sqlite-insert-loop", at_least=0.9)
def recording(bench):
    return by_rounds(lambda: record(bench, "quick", SAMPLES), lambda: bare_rows(bench))


@figure("recording/pyserial-script", at_least=2)
def recording_against_script(bench):
    return by_rounds(lambda: record(bench, "quick", SAMPLES), lambda: script(bench), 3)


@figure("recording-1000-a-second/percent-of-a-core", at_most=3)
def processor_use(bench):
    seconds = max(5, int(30 * min(1, SCALE)))
    book = new_book(bench, "slow")
    with Played(bench, "slow", 1000 * seconds, 1000) as line:
        process = recorder(bench, line, book)
        before = os.times()
        finished(process, book, 1000 * seconds)
        after = os.times()
    spent = (after.children_user - before.children_user
             + after.children_system - before.children_system)
    return 100 * spent / seconds


def memory_kb(pid):
    status = pathlib.Path(f"/proc/{pid}/status").read_text(encoding="ascii")
    return int(re.search(r"VmRSS:\s+(\d+)", status)[1])


@figure("memory-in-ten-hours/first-hour", at_most=1.1)
def flat_memory(bench):
    """Largest resident memory in the last nine tenths of the recording over that in the first.

    Played at 300 times its pace, which the recorder can follow: its memory is what it holds of a
    recording, not what waits for the disk.
    """
    book = new_book(bench, "long")
    early = late = 0
    with Played(bench, "long", TEN_HOURS, 300_000) as line:
        process = recorder(bench, line, book)
        with sqlite3.connect(f"file:{book}?mode=ro", uri=True) as connection:
            while process.poll() is None:
                time.sleep(0.1)
                done = connection.execute("SELECT max(sample_count) FROM run").fetchone()[0] or 0
                try:
                    now = memory_kb(process.pid)
                except (OSError, TypeError):
                    break  # it has just ended
                if done < TEN_HOURS / 10:
                    early = max(early, now)
                else:
                    late = max(late, now)
        finished(process, book, TEN_HOURS)
    book.unlink()
    return late / early


@figure("bytes-per-sample/bare-table", at_most=0.9)
def bytes_per_sample(bench):
    record(bench, "quick", SAMPLES)
    if not bench.path("bare.db").exists():
        bench.call("bare_rows", bench.path("bare.db"), SAMPLES)
    with sqlite3.connect(bench.path("quick.book")) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return bench.path("quick.book").stat().st_size / bench.path("bare.db").stat().st_size
