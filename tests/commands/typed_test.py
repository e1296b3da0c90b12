"""Readings typed at a terminal: typed_test.py DB. The program sits on a real pseudo-terminal."""

import json
import os
import pathlib
import pty
import subprocess
import sys
import tempfile
import unittest

DB = str(pathlib.Path(sys.argv.pop(1)).resolve())


def at_terminal(keys, *words):
    """Types `keys` and gives back exit status and all that was shown."""
    pid, terminal = pty.fork()
    if pid == 0:
        os.execv(DB, [DB, *words])
    os.write(terminal, keys.encode())
    shown = b""
    while True:
        try:
            piece = os.read(terminal, 4096)
        except OSError:  # Linux tells the end of a pseudo-terminal so
            piece = b""
        if not piece:
            break
        shown += piece
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), shown.decode()


class Typed(unittest.TestCase):
    def setUp(self):
        folder = tempfile.TemporaryDirectory()
        self.addCleanup(folder.cleanup)
        os.environ["LOADLINE_BOOK"] = folder.name + "/evening.book"
        self.db("init")

    def db(self, *words, status=0):
        said = subprocess.run([DB, *words], stdin=subprocess.DEVNULL, capture_output=True, text=True,
                              check=False)
        self.assertEqual(said.returncode, status, said.stderr)
        return said

    def test_three_readings_become_a_steady_run(self):
        status, shown = at_terminal("1340\n1342\n1344\n\n", "import", "-", "--kind", "top-speed")
        self.assertEqual(status, 0, shown)
        self.assertIn("mean of 3:  handwheel_rpm 1342 (scatter 2)", shown)
        self.assertTrue(json.loads(self.db("show", "run", "1", "--json").stdout)["steady"])
        self.assertEqual(self.db("export", "run", "1").stdout, "handwheel_rpm\n1340\n1342\n1344\n")

    def test_sizes_are_shown_as_they_were_entered(self):
        self.db("add", "rig", "Bench", "--tick-hz", "2000000", "--supply-v-per-count", "0.0010375")
        for words in (("show", "rig", "Bench"), ("list", "rigs")):
            shown = self.db(*words).stdout
            self.assertRegex(shown, r"tick.hz +2000000\b")
            self.assertRegex(shown, r"supply.v.per.count +0\.0010375\b")

    def test_what_looks_odd_is_asked_about_and_kept_only_when_meant(self):
        words = ("import", "-", "--kind", "brake")
        status, shown = at_terminal("9000 120\n8000 150\n7000 200\n\n\n", *words)
        self.assertEqual(status, 2, shown)
        self.assertIn("Is it meant?", shown)
        self.assertEqual(json.loads(self.db("list", "--json").stdout)["runs"], 0)
        status, shown = at_terminal("9000 120\n8000 150\n7000 200\n\ny\n", *words)
        self.assertEqual(status, 0, shown)

    def test_without_a_terminal_standard_input_is_a_table(self):
        said = subprocess.run([DB, "import", "-", "--kind", "slip-check"], text=True, check=False,
                              input="motor_rpm\n5600\n5620\n", capture_output=True)
        self.assertEqual(said.returncode, 0, said.stderr)

    def test_a_name_that_differs_in_capitals_is_asked_about(self):
        self.db("add", "motor", "Heron 70")
        self.assertIn("--yes", self.db("add", "motor", "heron  70", status=2).stderr)
        status, shown = at_terminal("n\n", "add", "motor", "heron 70")
        self.assertEqual(status, 2, shown)
        self.assertEqual(at_terminal("y\n", "add", "motor", "heron 70")[0], 0)
        self.db("join", "motor", "heron 70", "--into", "Heron 70")
        self.db("add", "motor", "HERON 70", "--yes")


if __name__ == "__main__":
    unittest.main()
