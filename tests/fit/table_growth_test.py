"""How the work grows with the rows of a table: table_growth_test.py DB FIT

Tables of awkward_tables_test.py with so many rows and with eight times as many; every verb that reads
them may take at most three times as many more instructions as n log n grows, since searches take more
steps for some rows than for others. Work that grows with the square of the rows takes 64 times as much.
Instructions are counted by valgrind (cachegrind), so that no clock decides. Exit status 77, which
ctest counts as skipped, without valgrind. LOADLINE_GROWTH_ALL=1: spoilt in each of the ways.
"""

import math
import os
import pathlib
import random
import re
import shutil
import subprocess
import sys
import tempfile

from awkward_tables_test import DB, FIT, SPOILS, brake_table, coast_table, drag_truth, motor_truth

FEW, TIMES = 400, 8
ALLOWED = 3 * TIMES * math.log(TIMES * FEW) / math.log(FEW)
USUAL = {"motor": ["repeats", "shuffled"], "machine": ["rounded"]}


def table_of(subject, rows, name):
    dice = random.Random(1)
    if subject == "motor":
        torque, top, _ = motor_truth(dice)
        table = brake_table(dice, rows, torque, top)
    else:
        truth = drag_truth(dice)
        whole = coast_table(dice, truth, 0, 100, 1000, 0.05).rows[-1][0]
        table = coast_table(dice, truth, 0, 100, rows / whole, 0.05)
    SPOILS[name](table, dice)
    return table


def instructions(folder, *words):
    done = subprocess.run(["valgrind", "--tool=cachegrind", "--cache-sim=no",
                           "--cachegrind-out-file=/dev/null", *words], cwd=folder, check=False,
                          capture_output=True, text=True, stdin=subprocess.DEVNULL, errors="replace")
    if done.returncode not in (0, 1, 2):
        sys.exit(f"FAILED: {' '.join(words)}: status {done.returncode}: {done.stderr[-400:]}")
    return int(re.search(r"I\s+refs:\s+([\d,]+)", done.stderr).group(1).replace(",", ""))


def work(folder, subject, rows, name):
    """Instructions of each verb for one table."""
    for old in folder.glob("bench.book*"):
        old.unlink()
    subprocess.run([DB, "init"], cwd=folder, check=True, stdout=subprocess.DEVNULL)
    subprocess.run([DB, "add", subject, "S"], cwd=folder, check=True, stdout=subprocess.DEVNULL)
    (folder / "table.csv").write_text(table_of(subject, rows, name).text(), encoding="ascii")
    kind = "brake" if subject == "motor" else "coast-down"
    verbs = {"import": [DB, "import", "table.csv", "--kind", kind, f"--{subject}", "S", "--yes"],
             "show": [DB, "show", "run", "1"], "export": [DB, "export", "run", "1"],
             "check": [DB, "check"],
             "fit": [FIT, *(["motor", "S"] if subject == "motor" else ["drag", "S"])],
             "report": [FIT, "report", "-o", "page.html"]}
    return {verb: instructions(folder, *words) for verb, words in verbs.items()}


def main():
    if not shutil.which("valgrind"):
        print("no valgrind here (Debian: apt-get install valgrind)")
        sys.exit(77)
    names = USUAL
    if os.environ.get("LOADLINE_GROWTH_ALL") == "1":
        names = dict.fromkeys(USUAL, list(SPOILS))
    faults, most = [], {}
    with tempfile.TemporaryDirectory(prefix="loadline-growth-") as name_of_folder:
        os.environ["LOADLINE_BOOK"] = "bench.book"
        folder = pathlib.Path(name_of_folder)
        for subject, spoils in names.items():
            for name in spoils:
                few = work(folder, subject, FEW, name)
                many = work(folder, subject, TIMES * FEW, name)
                for verb in few:
                    ratio = many[verb] / few[verb]
                    most[verb] = max(most.get(verb, (0, "")), (ratio, f"{subject}, {name}"))
                    if ratio > ALLOWED:
                        faults.append(f"{verb}, {subject}, {name}: {few[verb]:,} instructions for "
                                      f"{FEW} rows, {many[verb]:,} for {TIMES * FEW}")
    for verb, (ratio, where) in most.items():
        print(f"{verb}: at most {ratio:.1f} times as much for {TIMES} times the rows ({where})")
    for line in faults:
        print("FAILED:", line, file=sys.stderr)
    sys.exit(1 if faults else 0)


main()
