"""What half and double of each chosen number do to whole answers.

    answers_sensitivity.py MOVABLE_FIT DB EVENING SUBJECT [NAME…]

MOVABLE_FIT is loadline-fit with numbers that move (target movable_fit), EVENING the book that
sample-runs/demo.sh leaves in build/demo. SUBJECT is readings, coast, drag, belts, drive, choose or history. What
spans years is a book of histories/generator.py: eight evenings of coast-downs as rows of a file; two for
coast and drag.

Printed for each number, for half and for double: by how much the estimate that moves most moves, over
half of its interval (1: to the edge of what was said), and which it is; the width that changes most over that before; the
chance that changes most, in points of a hundred; how many answers say something else (another choice, a
refusal, a result more or less). Numbers that move nothing are named in a line at the end.
"""

import json
import math
import os
import pathlib
import shutil
import subprocess
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).parent / "histories"))
import generator  # noqa: E402
import study  # noqa: E402

PAIR = ["--motor", "Heron 70", "--machine", "Wren"]
CASES = {
    "coast": [("evening", ["drag", "Wren"]), ("years", ["drag", "K"])],
    "belts": [("evening", ["belts", "--machine", "Wren", "--motor", "Heron 70"])],
    "drive": [("evening", ["drive", *PAIR, "--motor-pulley", one, "--hand-pulley", "wheel 110", "--belt", belt])
              for one, belt in (("motor 20", "notched"), ("motor 16", "link"))],
    "choose": [("evening", ["choose", "--machine", "Wren", "--least-rpm", rpm, "--most-motor-rpm", "8000",
                            "--least-needle-n", "25"]) for rpm in ("1200", "1380")],
    "history": [("years", ["history", "--machine", "K"])],
}
CASES["drag"] = CASES["coast"]
CASES["readings"] = [*CASES["coast"], ("evening", ["motor", "Heron 70"])]
CHANCES = ("chance", "right")
NAMES = ("motor", "motor_pulley", "hand_pulley", "belt", "name", "a", "b", "on", "session")


def numbers(value, path=()):
    """Estimates, chances, yes and no of an answer by their place in it."""
    if isinstance(value, dict):
        if {"value", "low", "high"} <= value.keys():
            yield path, value
            return
        for key, inner in value.items():
            if isinstance(inner, bool) or key in CHANCES and isinstance(inner, float):
                yield (*path, key), inner
            elif key not in ("curve", "uuid", "made_utc"):
                yield from numbers(inner, (*path, key))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            named = isinstance(inner, dict) and " ".join(
                inner[key] for key in NAMES if isinstance(inner.get(key), str))
            yield from numbers(inner, (*path, named or i))


def known(estimate):
    return None not in (estimate["value"], estimate["low"], estimate["high"]) and estimate["high"] > estimate["low"]


class Answers:
    def __init__(self, fit, books):
        self.fit, self.books = fit, books

    def of(self, subject, change=""):
        """The answers of all cases; None where one is refused."""
        found = []
        for book, words in CASES[subject]:
            with tempfile.TemporaryDirectory() as folder:
                copy = shutil.copy(self.books[book], folder)
                said = subprocess.run([self.fit, *words, "--json", "--book", copy], capture_output=True, text=True,
                                      env={**os.environ, "LOADLINE_CHOSEN": change}, check=False)
            found.append(dict(numbers(json.loads(said.stdout))) if said.returncode in (0, 1) and said.stdout else None)
        return found


def named(path):
    return " ".join(part.replace("_", " ") for part in path if isinstance(part, str) and part != "run_findings")


def compared(usual, moved):
    """What a change does, in words; empty where nothing moved."""
    most, width, points, others = 0.0, 1.0, 0.0, 0
    mover = wider = ""
    for before, after in zip(usual, moved):
        if before is None or after is None or before.keys() != after.keys():
            others += before != after
            continue
        for path, one in before.items():
            two = after[path]
            if isinstance(one, bool):
                others += one != two
                continue
            if isinstance(one, float):
                points = max(points, 100 * abs(two - one))
                continue
            if known(one) != known(two):
                others += 1
            elif known(one):
                half = (one["high"] - one["low"]) / 2
                if abs(two["value"] - one["value"]) / half > most:
                    most, mover = abs(two["value"] - one["value"]) / half, named(path)
                ratio = (two["high"] - two["low"]) / 2 / half
                if abs(math.log(ratio)) > abs(math.log(width)):
                    width, wider = ratio, named(path)
    if most < 0.005 and abs(width - 1) < 0.005 and points < 0.05 and not others:
        return ""
    text = f"{most:.2f} {mover}, × {width:.2f} {wider}"
    if points >= 0.05:
        text += f", {points:.1f} points"
    return text + (f", {others} other" if others else "")


def main():
    fit, db, evening, subject = sys.argv[1:5]
    wanted = sys.argv[5:]
    with tempfile.TemporaryDirectory() as folder:
        bench = study.Bench([db, fit], folder, "sensitivity")
        years = subject == "history"
        bench.record(generator.evenings(bench.dice, 8, 0.03, change_after=4, change=1.1) if years else
                     generator.evenings(bench.dice, 2, 0.03))
        answers = Answers(fit, {"evening": evening, "years": bench.book})
        listed = subprocess.run([fit, "--version"], capture_output=True, text=True,
                                env={**os.environ, "LOADLINE_CHOSEN": "list"}, check=False).stderr
        chosen = dict(line.split() for line in listed.splitlines() if line.startswith(subject + "."))
        usual = answers.of(subject)
        still = []
        for name, value in chosen.items():
            short = name.split(".")[1]
            if wanted and short not in wanted:
                continue
            both = [compared(usual, answers.of(subject, f"{name}={factor * float(value):.9g}"))
                    for factor in (0.5, 2)]
            if any(both):
                print(f"| `{subject}` | `{short}` | {value} | {both[0] or '–'} | {both[1] or '–'} |", flush=True)
            else:
                still.append(f"`{short}`")
        print("Nothing moved by:", ", ".join(still) or "none")


main()
