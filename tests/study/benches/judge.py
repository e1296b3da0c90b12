#!/usr/bin/env python3
"""Feeds folders of benches (bench_maker) to the programs and counts what their 95 % limits hold.

Usage: judge.py FOLDER… [--only INSTRUMENT] [--by KEY] [--first N] [--limit SECONDS] [--jobs N]
                [--verbose]

The programs are looked for in $LOADLINE_BIN (folders, separated by ':'), then on PATH. --by groups
by a key of 'info' or 'o' (style, motor, rate …) instead of the instrument. Columns:
  n         benches
  declined  no value or no limits: the program said that it does not know (late: of these, not
            done within the limit; refused: of these, exit status 2 and more)
  held      share of the known whose limits hold the truth
  half      median half width of the limits in per cent of the truth
  error     median error in per cent of the truth
  narrow    share of the known whose error is beyond twice the half width; 0.01 % if all is well
"""
import argparse
import concurrent.futures
import json
import os
import pathlib
import shutil
import statistics
import subprocess
import sys
import tempfile
import time

PATH = os.pathsep.join(filter(None, [os.environ.get("LOADLINE_BIN"), os.environ.get("PATH", "")]))
KINDS = {"coast": "coast-down", "brake": "brake", "spin-up": "spin-up", "steady": "brake"}


class Refused(Exception):
    """A program that ended with exit status 2 or more; the text is its message."""


class Late(Exception):
    """The time for one bench is over."""


class Book:
    """A book of its own for one bench, and the time that the bench has left."""

    def __init__(self, folder, limit):
        self.book, self.end = os.path.join(folder, "judged.book"), time.monotonic() + limit

    def run(self, program, *words):
        found = shutil.which(program, path=PATH)
        if not found:
            sys.exit(f"{program} is neither in $LOADLINE_BIN nor on PATH")
        command = [found, *map(str, words), "--book", self.book, "--json"]
        try:
            done = subprocess.run(command, capture_output=True, text=True, stdin=subprocess.DEVNULL,
                                  timeout=max(0.1, self.end - time.monotonic()), check=False)
        except subprocess.TimeoutExpired:
            raise Late(f"{program} {words[0]}") from None
        if done.returncode not in (0, 1):
            raise Refused(f"{program} {words[0]}: {done.returncode}: {done.stderr.strip()[:200]}")
        answer = json.loads(done.stdout) if done.stdout.strip() else {}
        answer["exit"] = done.returncode
        answer["said"] = done.stderr.strip()
        return answer


def ask(stem, bench, limit):
    """What the programs make of a bench: the answer of the fit."""
    with tempfile.TemporaryDirectory(prefix="judge") as folder:
        book = Book(folder, limit)
        book.run("loadline-db", "init")
        coast = bench["family"] == "coast"
        book.run("loadline-db", "add", "machine" if coast else "motor", "K")
        for i, added in enumerate(bench["added"]):
            words = ["--machine" if coast else "--motor", "K"]
            if added:
                words += ["--added-inertia-kgm2", repr(added)]
            if "inertia_kgm2" in bench:
                words += ["--inertia-kgm2", repr(bench["inertia_kgm2"])]
            if "supply_v" in bench:
                words += ["--supply-v", repr(bench["supply_v"])]
            book.run("loadline-db", "import", f"{stem}-{i}.csv", "--kind", KINDS[bench["family"]],
                     *words)
        return book.run("loadline-fit", "drag" if coast else "motor", "K")


def compared(answer, key, truth):
    """(held, half width, error), the latter two as shares of the truth; None where unknown."""
    got = answer.get(key) if answer.get("exit") == 0 else None
    if not got or None in (got.get("value"), got.get("low"), got.get("high")):
        return None
    return (got["low"] <= truth <= got["high"], (got["high"] - got["low"]) / 2 / abs(truth),
            (got["value"] - truth) / abs(truth))


def judge(stem, limit):
    bench = json.loads(pathlib.Path(f"{stem}.json").read_text(encoding="utf-8"))
    trouble = None
    try:
        answer = ask(stem, bench, limit)
    except (Refused, Late) as error:
        answer, trouble = {}, error
    results = {key: compared(answer, key, truth) for key, truth in bench["truth"].items()}
    return stem, bench, results, answer, trouble


def line_of(stem, bench, results, answer, trouble):
    """A line for a person who looks at single benches."""
    def word(result):
        if result is None:
            return "?"
        held, half, error = result
        return f"{'' if held else 'MISS '}{100 * error:+.2f}±{100 * half:.2f}%"
    text = " ".join(f"{key} {word(result)}" for key, result in results.items())
    more = f" model {answer['model']}" if answer.get("model") else ""
    if answer.get("exit") == 1:
        more += " NO: " + answer["said"][:200].replace("\n", " / ")
    if trouble:
        more += f" {type(trouble).__name__.upper()}: {trouble}"
    return f"{stem} {bench['kind']} | {text}{more} | {json.dumps(bench['info'])}"


class Tally:
    def __init__(self):
        self.n = self.late = self.refused = 0
        self.known = []

    def add(self, result, trouble):
        self.n += 1
        self.late += isinstance(trouble, Late)
        self.refused += isinstance(trouble, Refused)
        if result is not None:
            self.known.append(result)

    def row(self):
        text = f"{self.n:5d} {self.n - len(self.known):6d}"
        if self.known:
            share = sum(held for held, _, _ in self.known) / len(self.known)
            half = statistics.median(half for _, half, _ in self.known)
            error = statistics.median(abs(error) for _, _, error in self.known)
            narrow = sum(abs(error) > 2 * half for _, half, error in self.known) / len(self.known)
            text += f" {100 * share:6.1f} {100 * half:8.3f} {100 * error:8.3f} {100 * narrow:7.1f}"
        else:
            text += f" {'-':>6s} {'-':>8s} {'-':>8s} {'-':>7s}"
        late = f" {self.late} late" if self.late else ""
        return text + late + (f" {self.refused} refused" if self.refused else "")


def print_table(rows, by):
    """rows: results of judge(). One line for each result and group, and one for all."""
    tallies = {}
    for _, bench, results, _, trouble in rows:
        group = bench["kind"]
        if by:
            group = str(bench["info"].get(by, bench["o"].get(by, "-")))
        for key, result in results.items():
            for name in (group, "all"):
                place = (bench["family"], key, name == "all", name)
                tallies.setdefault(place, Tally()).add(result, trouble)
    keys = {place[:2]: None for place in tallies}
    print(f"{'family':8s} {'result':16s} {by or 'instrument':15s}     n declnd held %   half %"
          "  error % narrow%")
    for family, key in keys:
        for place in sorted(place for place in tallies if place[:2] == (family, key)):
            print(f"{family:8s} {key:16s} {place[3]:15s} {tallies[place].row()}")


def stems_in(folders, only, first):
    stems = []
    for folder in folders:
        found = sorted(pathlib.Path(folder).glob("*.json"), key=lambda p: int(p.stem))
        if not found:
            sys.exit(f"{folder}: no bench in it; bench_maker makes some")
        stems += [str(p.with_suffix("")) for p in found][:first]
    if only:
        wanted = f'"kind": "{only}"'
        stems = [s for s in stems
                 if wanted in pathlib.Path(s + ".json").read_text(encoding="utf-8")]
    return stems


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n", maxsplit=1)[0])
    parser.add_argument("folders", nargs="+", metavar="FOLDER")
    parser.add_argument("--only", metavar="INSTRUMENT")
    parser.add_argument("--by", metavar="KEY")
    parser.add_argument("--first", type=int, metavar="N", help="benches of each folder")
    parser.add_argument("--limit", type=float, default=60.0, help="seconds for one bench")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--verbose", action="store_true", help="a line for each bench")
    wish = parser.parse_args()
    rows = []
    with concurrent.futures.ThreadPoolExecutor(wish.jobs) as pool:
        stems = stems_in(wish.folders, wish.only, wish.first)
        for row in pool.map(lambda stem: judge(stem, wish.limit), stems):
            rows.append(row)
            if wish.verbose:
                print(line_of(*row), flush=True)
    print_table(rows, wish.by)


if __name__ == "__main__":
    main()
