"""Each system call of the recorder fails once: system_faults_test.py LOGGER SIMRIG DB SHIM SCENARIOS

A recording from a pseudo-terminal, again and again; each time the preloaded shim lets one call fail
(open, write, fsync, mmap, the read of the port, the start of a thread, a request for memory …), a
different one each time. Whatever fails, three things must hold:
  - the book is sound: by SQLite's own check, by ours, and every row in it is one that the rig sent;
  - nothing is lost in silence: a run that ends as complete, with status 0, holds every sample, or says
    how many are missing; everything else ends with a sentence and a status of the contract;
  - it ends by itself.
LOADLINE_FAULTS (4) is how many of each kind of call are tried; they are spread evenly over all of
them. The table that is printed is the one in DEVELOPERS.md.
"""

import errno
import json
import os
import pathlib
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time

LOGGER, SIMRIG, DB, SHIM, SCENARIOS = (str(pathlib.Path(p).resolve()) for p in sys.argv[1:6])
EACH = int(os.environ.get("LOADLINE_FAULTS", "4"))
PATIENCE = 90  # seconds; only what hangs gets near it
CALLS = {
    "open": [errno.EMFILE, errno.EACCES],
    "read": [errno.EIO, errno.EINTR],
    "write": [errno.EIO, errno.EINTR],
    "pread": [errno.EIO],
    "pwrite": [errno.ENOSPC, errno.EIO],
    "fsync": [errno.EIO],
    "truncate": [errno.EIO],
    "mmap": [errno.ENOMEM],
    "poll": [errno.EINTR, errno.ENOMEM],
    "fcntl": [errno.EAGAIN, errno.EIO],
    "flock": [errno.ENOLCK],
    "ioctl": [errno.EIO],
    "stat": [errno.EIO],
    "socket": [errno.EMFILE],
    "epoll": [errno.ENOMEM],
    "thread": [errno.EAGAIN],
    "memory": [errno.ENOMEM],
}


def rows_of(book):
    """Runs and their rows, the rows without the run."""
    with sqlite3.connect(f"file:{book}?mode=ro", uri=True) as db:
        sound = db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        broken = db.execute("PRAGMA foreign_key_check").fetchall()
        runs = db.execute("SELECT id, state, sample_count FROM run ORDER BY id").fetchall()
        rows = db.execute("SELECT id & ((1 << 42) - 1), torque_counts, motor_edges, handwheel_edges "
                          "FROM sample ORDER BY id").fetchall()
        events = db.execute("SELECT kind, length_s, detail FROM event").fetchall()
    return sound and not broken, runs, rows, events


class Bench:
    def __init__(self, folder):
        self.folder = pathlib.Path(folder)
        self.fresh = self.folder / "fresh.book"
        at = ["--book", str(self.fresh)]
        for words in (["init"], ["add", "rig", "bench", "--arm-mm", "100"], ["add", "motor", "grey"]):
            subprocess.run([DB, *words, *at], check=True, stdout=subprocess.DEVNULL)
        self.truth = None

    def record(self, call="", nth=0, error=0):
        """One recording with one fault: status, what was said, what the book holds afterwards."""
        book, line = self.folder / "bench.book", self.folder / "rig"
        for old in self.folder.glob("bench.book*"):
            old.unlink()
        shutil.copy(self.fresh, book)
        line.unlink(missing_ok=True)
        rig = subprocess.Popen(
            [SIMRIG, SCENARIOS + "/no-load.ini", "--link", str(line), "--wait", "30", "--fast",
             "--seed", "1", "--set", "run.lead_s=0.5", "--set", "run.action_s=20", "--set",
             "run.tail_s=0.5"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        for _ in range(1000):
            if line.is_symlink():
                break
            time.sleep(0.01)
        count = self.folder / "count"
        count.unlink(missing_ok=True)
        settings = {**os.environ, "LD_PRELOAD": SHIM, "FAULT_CALL": call, "FAULT_NTH": str(nth),
                    "FAULT_ERRNO": str(error), "FAULT_COUNT": str(count),
                    "TMPDIR": str(self.folder)}
        recorder = subprocess.Popen(
            [LOGGER, "record", "no-load", "--port", str(line), "--motor", "grey", "--json", "--page",
             "--page-port", "0", "--book", str(book)], stdin=subprocess.DEVNULL, env=settings,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        try:
            out, err = recorder.communicate(timeout=PATIENCE)
        except subprocess.TimeoutExpired:
            recorder.kill()
            recorder.communicate()
            out, err = "", "it did not end"
        rig.terminate()
        rig.wait()
        self.calls = int(count.read_text()) if count.exists() else 0
        return recorder.returncode, out, err, book

    def judge(self, status, out, err, book):
        """('whole', 'told' or 'refused', list of faults)."""
        faults = []
        if status not in (0, 2, 3, 4):
            faults.append(f"status {status}")
        checked = subprocess.run([DB, "check", "--book", str(book)], capture_output=True, text=True,
                                 check=False)
        # Whoever opens it for writing ends a run that was left open.
        subprocess.run([DB, "add", "motor", "second", "--book", str(book)], check=False,
                       stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        again = subprocess.run([DB, "check", "--book", str(book)], capture_output=True, text=True,
                               check=False)
        sound, runs, rows, events = rows_of(book)
        if not sound or checked.returncode != 0 or again.returncode != 0:
            faults.append(f"unsound: {checked.stdout}{checked.stderr}{again.stdout}{again.stderr}")
        if not set(rows) <= set(self.truth):
            faults.append("a row that the rig did not send")
        if len(runs) > 1 or (runs and runs[0][2] != len(rows)):
            faults.append(f"runs: {runs}, {len(rows)} rows")
        missing = len(self.truth) - len(rows)
        if status != 0:
            if not err.strip():
                faults.append("not a word")
            return ("told" if runs else "refused"), faults
        said = json.loads(out) if out.strip() else {}
        if said.get("samples") != len(rows):
            faults.append(f"says {said.get('samples')} samples, {len(rows)} are in the book")
        told = said.get("lost", 0) + said.get("damaged", 0)
        gaps = [e for e in events if e[0] in ("hang-up", "gap", "resumed")]
        if missing > 0 and told == 0 and not gaps:
            faults.append(f"{missing} samples lost in silence")
        return ("whole" if missing == 0 else "told"), faults


def main():
    wanted = os.environ.get("LOADLINE_FAULT_CALLS", "")
    table, failures = [], []
    with tempfile.TemporaryDirectory(prefix="loadline-faults-") as folder:
        bench = Bench(folder)
        status, _, err, book = bench.record()
        _, runs, bench.truth, _ = rows_of(book)
        if status != 0 or len(bench.truth) < 500:
            sys.exit(f"without a fault: status {status}, {len(bench.truth)} rows: {err}")
        for call, errors in CALLS.items():
            if wanted and call not in wanted.split(","):
                continue
            bench.record(call)
            calls = bench.calls
            tally = {"whole": 0, "told": 0, "refused": 0}
            tried = 0
            for k in range(min(EACH, calls)):
                nth = 1 + k if calls <= EACH else 1 + (2 * k + 1) * calls // (2 * EACH)
                error = errors[k % len(errors)]
                status, out, err, book = bench.record(call, nth, error)
                outcome, faults = bench.judge(status, out, err, book)
                tally[outcome] += 1
                tried += 1
                for fault in faults:
                    failures.append(f"{call} {nth} of {calls}, {errno.errorcode[error]}: {fault} "
                                    f"(status {status}: {err.strip()[-300:]})")
            table.append((call, calls, tried, *tally.values()))
            print("| {} | {:,} | {} | {} | {} | {} |".format(*table[-1]), flush=True)
    for failure in failures:
        print(f"FAILED: {failure}", file=sys.stderr)
    sys.exit(1 if failures else 0)


main()
