"""The programs at a terminal: terminal_test.py LOGGER SIMRIG DB SCENARIOS

Each sits on a real pseudo-terminal and is answered by its own words; nothing is timed.
"""

import json
import os
import pathlib
import pty
import re
import signal
import subprocess
import sys
import tempfile
import time
import unittest

LOGGER, SIMRIG, DB, SCENARIOS = (str(pathlib.Path(p).resolve()) for p in sys.argv[1:5])
del sys.argv[1:5]
PATIENCE = 60  # seconds; only what hangs gets near it


class Terminal:
    """A program at a terminal: waits for what it shows, types, and waits again."""

    def __init__(self, *words):
        self.shown, self.read_to = "", 0
        self.pid, self.line = pty.fork()
        if self.pid == 0:
            os.execv(words[0], [str(word) for word in words])
        signal.alarm(PATIENCE)

    def more(self):
        try:
            piece = os.read(self.line, 4096)
        except OSError:  # Linux tells the end of a pseudo-terminal so
            piece = b""
        self.shown += piece.decode(errors="replace")
        return bool(piece)

    def until(self, pattern):
        """Waits for it after what was found last."""
        while True:
            found = re.search(pattern, self.shown[self.read_to:])
            if found:
                self.read_to += found.end()
                return found
            if not self.more():
                raise AssertionError(f"{pattern} not in {self.shown[self.read_to:]!r}")

    def type(self, keys):
        os.write(self.line, keys.encode())

    def end(self):
        while self.more():
            pass
        status = os.waitstatus_to_exitcode(os.waitpid(self.pid, 0)[1])
        os.close(self.line)
        signal.alarm(0)
        return status


class AtTheTerminal(unittest.TestCase):
    def setUp(self):
        folder = tempfile.TemporaryDirectory(prefix="loadline-terminal-")
        self.addCleanup(folder.cleanup)
        self.here = pathlib.Path(folder.name)
        os.environ["LOADLINE_BOOK"] = str(self.here / "evening.book")
        self.db("init")
        self.db("add", "rig", "bench", "--arm-mm", "100")

    def db(self, *words):
        done = subprocess.run([DB, *words], capture_output=True, text=True, check=False)
        self.assertEqual(done.returncode, 0, done.stderr)
        return done.stdout

    def rig(self, scenario, *settings):
        line = self.here / "rig"
        words = [SIMRIG, f"{SCENARIOS}/{scenario}.ini", "--link", str(line), "--wait", "60"]
        for setting in settings:
            words += ["--set", setting]
        process = subprocess.Popen(words, stdout=subprocess.DEVNULL)

        def end():
            process.terminate()
            process.wait(PATIENCE)
        self.addCleanup(end)
        until = time.monotonic() + PATIENCE
        while not line.exists() and time.monotonic() < until:
            time.sleep(0.02)
        return line

    def test_enter_begins_a_run_and_never_ends_it(self):
        self.db("add", "motor", "Heron 70", "--max-rpm", "9000")
        line = self.rig("brake", "run.lead_s=1", "brake.sweep_s=600")
        at = Terminal(LOGGER, "record", "brake", "--port", line, "--motor", "Heron 70")
        at.until("Enter begins the recording")
        at.type("\n")
        at.until("s and Enter .or Ctrl-C. stops")
        at.type("\n")  # a second Enter by a hand that was not sure of the first
        at.until("s and Enter .or Ctrl-C. stops")
        at.type("stop it\n")
        at.until("s and Enter .or Ctrl-C. stops")
        # The motor runs free at 13,700 rpm, its limit is 9,000: told by marks, words and bell.
        at.until(r"Faster than the limit of motor 'Heron 70', 9,000 rpm: switch off")
        at.until(r"\a")
        at.until(r"\[!!!\] OVER THE LIMIT, SWITCH OFF: MOTOR [\d,]+ OF 9,000 RPM")
        at.type("s\n")
        at.until(r"Run 1 \(brake\) complete")
        self.assertEqual(at.end(), 0, at.shown)
        events = json.loads(self.db("show", "run", "1", "--json"))["events"]
        self.assertRegex(str(events), r"1\d\d % of its limit of 9,000 rpm")


    def evening(self):
        line = self.here / "rig"
        process = subprocess.Popen([SIMRIG, f"{SCENARIOS}/../practice.evening", "--link", str(line)],
                                   stdout=subprocess.DEVNULL)

        def end():
            process.terminate()
            process.wait(PATIENCE)
            line.unlink(missing_ok=True)
        self.addCleanup(end)
        until = time.monotonic() + PATIENCE
        while not line.exists() and time.monotonic() < until:
            time.sleep(0.02)
        return line, end

    def test_a_dropped_line_costs_one_point_of_a_calibration(self):
        line, end = self.evening()
        at = Terminal(LOGGER, "calibrate", "--port", line, "--for", "1", "--point", "0g",
                      "--point", "100", "--point", "0.2kg", "--point", "100", "--point", "0")
        at.until("Point 1 of 5. Take every mass off the arm")
        at.type("\n")
        at.until("Point 2 of 5. Hang 100.000 g on the arm")
        end()  # unplugged
        at.type("\n")
        at.until("1 points are kept. Plug the rig in")
        self.evening()
        at.type("\n")
        for point in (3, 4, 5):
            at.until(f"Point {point} of 5")
            at.type("\n")
        at.until("Calibration of bench")
        self.assertEqual(at.end(), 0, at.shown)
        made = json.loads(self.db("list", "calibrations", "--json"))["calibrations"]
        self.assertEqual(len(made), 1)
        # The cell of the evening gives 209,300 counts per newton (workshop/bench.ini).
        self.assertAlmostEqual(made[0]["slope_n_per_count"] * 209300, 1, delta=0.005)
        shown = json.loads(self.db("show", "calibration", str(made[0]["calibration"]), "--json"))
        self.assertEqual(shown["rig"], "bench")

    def test_a_program_without_arguments_says_where_the_evening_stands(self):
        for program in (LOGGER, DB):
            at = subprocess.run([program], capture_output=True, text=True, check=False)
            self.assertEqual(at.returncode, 0, at.stderr)
            self.assertIn("Next: loadline-db add motor NAME", at.stdout)
        self.db("add", "motor", "Heron 70", "--rated-v", "230V")
        self.db("add", "machine", "Wren", "--stroke-mm", "1.2in")
        said = subprocess.run([LOGGER], capture_output=True, text=True, check=False).stdout
        self.assertRegex(said, r"rig +bench +not calibrated yet")
        self.assertIn("Next: loadline-logger calibrate", said)
        self.db("add", "belt", "ring")
        self.db("add", "belt", "link")
        subprocess.run([LOGGER, "plan", "belts", "spring", "--machine", "Wren", "--belt", "ring",
                        "--belt", "link"], check=True, capture_output=True)
        said = subprocess.run([LOGGER], capture_output=True, text=True, check=False).stdout
        self.assertIn("plan spring for Wren: 0 of 6 steps done", said)

    def test_words_of_the_trade_are_pointed_to_ours(self):
        done = subprocess.run([DB, "add", "motor", "M", "--type", "universal"], capture_output=True,
                              text=True, check=False)
        self.assertEqual(done.returncode, 2)
        self.assertIn("'series'", done.stderr)


if __name__ == "__main__":
    unittest.main(verbosity=2)
