"""What drive shows on a terminal and in a pipe: drive_terminal_test.py LOADLINE-DB LOADLINE-FIT.

The terminal is a real one (a pseudo-terminal with a size). Two motors and a machine are imported,
whose physics is written here.
"""

import fcntl
import json
import math
import os
import pathlib
import pty
import re
import struct
import subprocess
import sys
import tempfile
import termios
import unittest

DB, FIT = (str(pathlib.Path(p).resolve()) for p in sys.argv[1:3])
BLOCKS = re.compile("[▘▝▀▖▌▞▛▗▚▐▜▄▙▟█▒░●│]")


def call(*words, status=0):
    done = subprocess.run([str(w) for w in words], capture_output=True, text=True, check=False)
    assert done.returncode == status, f"{words}: {done.returncode} {done.stderr}"
    return done.stdout


def on_terminal(columns, locale, *words, term="xterm"):
    """What the program writes to a terminal of that width."""
    leader, follower = pty.openpty()
    fcntl.ioctl(follower, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    environment = dict(os.environ, LC_ALL=locale, TERM=term)
    child = subprocess.Popen([str(w) for w in words], stdout=follower, stderr=follower,
                             stdin=subprocess.DEVNULL, env=environment)
    os.close(follower)
    out = b""
    try:
        while chunk := os.read(leader, 4096):
            out += chunk
    except OSError:  # the other side is closed
        pass
    os.close(leader)
    assert child.wait() == 0, out
    return re.sub(r"\x1b\[[0-9;]*[A-Za-z]|.*\r(?!\n)", "", out.decode()).replace("\r\n", "\n")


class OnTerminal(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="loadline-terminal-")
        cls.addClassCleanup(cls.folder.cleanup)
        here = pathlib.Path(cls.folder.name)
        book = cls.book = here / "evening.book"
        call(DB, "init", "--book", book)
        call(DB, "add", "machine", "Wren", "--stroke-mm", 30, "--book", book)
        for name, stall in (("Heron 70", 0.3), ("Finch 45", 0.2)):
            # A straight line from standstill to 10,000 rpm, as steady points.
            rows = [f"{n},{stall * (1 - n / 10000):.6f}" for n in range(500, 9600, 300)]
            (here / "brake.csv").write_text("motor_rpm,torque_nm\n" + "\n".join(rows) + "\n")
            call(DB, "add", "motor", name, "--type", "permanent-magnet", "--max-rpm", 9000,
                 "--book", book)
            call(DB, "import", here / "brake.csv", "--kind", "brake", "--motor", name,
                 "--supply-v", 230, "--book", book)
            call(FIT, "motor", name, "--book", book)
        for added, inertia in ((0, 0.0016), (0.0021, 0.0037)):
            # J dw/dt = -(0.05 + 0.0006 w), from 150 rad/s (closed form).
            rows, t = [], 0.0
            while (w := (150 + 0.05 / 0.0006) * math.exp(-0.0006 * t / inertia) - 0.05 / 0.0006) > 4:
                rows.append(f"{t:.4f},{w * 30 / math.pi:.4f}")
                t += 0.0125
            (here / "coast.csv").write_text("time_s,handwheel_rpm\n" + "\n".join(rows) + "\n")
            call(DB, "import", here / "coast.csv", "--kind", "coast-down", "--machine", "Wren",
                 *(["--added-inertia-kgm2", added] if added else []), "--book", book)
        call(FIT, "drag", "Wren", "--book", book)
        cls.both = [FIT, "drive", "--motor", "Heron 70", "--motor", "Finch 45", "--machine", "Wren",
                    "--ratio", 6, "--book", book]

    def test_a_terminal_gets_the_picture_and_no_line_too_wide(self):
        for columns in (46, 60, 80, 132):  # the first is narrower than any line is made for
            shown = on_terminal(columns, "C.UTF-8", *self.both)
            self.assertTrue(BLOCKS.search(shown), shown)
            for name in ("Heron 70", "Finch 45", "Wren"):
                self.assertIn(name, shown)
            wide = [line for line in shown.splitlines() if len(line) > columns]
            self.assertEqual(wide, [], columns)

    def test_no_picture_where_it_cannot_be_shown(self):
        self.assertFalse(BLOCKS.search(on_terminal(80, "C", *self.both)))
        self.assertFalse(BLOCKS.search(on_terminal(80, "C.UTF-8", *self.both, term="dumb")))
        self.assertFalse(BLOCKS.search(call(*self.both)))  # a pipe
        self.assertFalse(BLOCKS.search(on_terminal(80, "C.UTF-8", *self.both, "--json")))

    def test_both_motors_are_answered_as_each_alone(self):
        both = json.loads(call(*self.both, "--json"))["drives"]
        self.assertEqual([drive["motor"] for drive in both], ["Heron 70", "Finch 45"])
        for drive in both:
            alone = json.loads(call(FIT, "drive", "--motor", drive["motor"], "--machine", "Wren",
                                    "--ratio", 6, "--json", "--book", self.book))
            self.assertEqual(alone, drive)

    def test_the_chart_holds_both_motors_and_one_load_line(self):
        chart = self.book.with_suffix(".svg")
        call(*self.both, "--svg", chart)
        text = chart.read_text(encoding="utf-8")
        for wanted in ("torque of motor Heron 70", "torque of motor Finch 45"):
            self.assertEqual(text.count(f">{wanted}<"), 1)
        self.assertEqual(text.count(">load line of machine Wren<"), 1)
        self.assertEqual(text.count("<circle"), 3)  # two crossings and the key

    def test_what_takes_one_motor_says_so(self):
        for words in (["--ratios", "4:12:9"], ["--motor", "a", "--motor", "b", "--motor", "c"]):
            call(*self.both, *words, status=2)


if __name__ == "__main__":
    unittest.main(argv=sys.argv[:1], verbosity=2)
