#!/usr/bin/env python3
"""judge.py against programs that answer what the test tells them to: does it count rightly?"""

import json
import os
import pathlib
import subprocess
import sys
import tempfile
import unittest

JUDGE = pathlib.Path(__file__).with_name("judge.py")

# Stands in for both programs: the book keeps which table was imported; its number names the answer.
STUB = """#!/usr/bin/env python3
import json, pathlib, sys, time
words = sys.argv[1:]
book = pathlib.Path(words[words.index("--book") + 1])
if words[0] == "import":
    book.write_text(words[1])
    print('{"run": 1}')
elif words[0] == "drag":
    table = pathlib.Path(book.read_text())
    order = json.loads(table.with_name("answers").read_text())[table.name.split("-")[0]]
    if order == "sleep":
        time.sleep(60)
    if order == "fail":
        sys.exit(2)
    print(json.dumps({"c0": order}))
    sys.exit(0 if order.get("low") is not None else 1)
"""


def estimate(value, half):
    return {"value": value, "low": value - half, "high": value + half}


# Truth is 2 in each: held, held, missed, missed by more than twice the half width, not known, …
ANSWERS = [estimate(2.1, 0.2), estimate(1.8, 0.4), estimate(2.3, 0.2), estimate(3.0, 0.1),
           {"value": 9.0, "low": None, "high": None}, "fail", "sleep"]


class Counting(unittest.TestCase):
    def judged(self, folder, *more):
        environment = {**os.environ, "LOADLINE_BIN": str(folder)}
        done = subprocess.run([sys.executable, JUDGE, folder / "benches", *more], check=True,
                              capture_output=True, text=True, env=environment)
        return done.stdout

    def setUp(self):
        self.scratch = tempfile.TemporaryDirectory()
        self.folder = pathlib.Path(self.scratch.name)
        for program in ("loadline-db", "loadline-fit"):
            (self.folder / program).write_text(STUB)
            (self.folder / program).chmod(0o755)
        benches = self.folder / "benches"
        benches.mkdir()
        (benches / "answers").write_text(json.dumps({str(i): a for i, a in enumerate(ANSWERS)}))
        for i in range(len(ANSWERS)):
            (benches / f"{i}-0.csv").write_text("time_s,handwheel_rpm\n")
            kind = {1: "odd", 6: "slow"}.get(i, "usual")
            (benches / f"{i}.json").write_text(json.dumps(
                {"family": "coast", "kind": kind, "truth": {"c0": 2.0}, "added": [0.0],
                 "o": {}, "info": {"style": "s"}}))

    def tearDown(self):
        self.scratch.cleanup()

    def test_all_are_counted(self):
        lines = self.judged(self.folder, "--first", "6").splitlines()
        row = next(line for line in lines if " all " in line).split()
        # Half widths 10, 20, 10 and 5 % of the truth, errors 5, 10, 15 and 50 %; the last is beyond
        # twice its half width.
        self.assertEqual(row, ["coast", "c0", "all", "6", "2", "50.0", "10.000", "12.500", "25.0",
                               "1", "refused"])

    def test_late(self):
        lines = self.judged(self.folder, "--only", "slow", "--limit", "1").splitlines()
        self.assertEqual(lines[-1].split()[3:], ["1", "1", "-", "-", "-", "-", "1", "late"])

    def test_groups(self):
        lines = self.judged(self.folder, "--first", "2").splitlines()
        odd = next(line for line in lines if " odd " in line).split()
        self.assertEqual(odd[3:], ["1", "0", "100.0", "20.000", "10.000", "0.0"])
        by_style = self.judged(self.folder, "--first", "2", "--by", "style")
        self.assertIn("s                   2      0  100.0", by_style)

    def test_one_instrument(self):
        out = self.judged(self.folder, "--only", "odd", "--verbose")
        self.assertIn("1 odd | c0 -10.00±20.00%", out)
        self.assertNotIn("usual", out)


if __name__ == "__main__":
    unittest.main()
