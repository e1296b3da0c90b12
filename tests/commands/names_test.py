"""Names that break whatever does not quote them, through every door: names_test.py DB LOGGER FIT
SIMRIG SCENARIOS.

They enter the book by `add` and by an import, and must come out of JSON, CSV, a merged book, a
recording, the live page's state and the report exactly as they went in. CSV and HTML are read by
Python's own parsers, which know nothing of how they were written. A cell that a spreadsheet would
run gets an apostrophe in front (OWASP, "CSV Injection": = + - @ tab carriage return).
"""

import csv
import html.parser
import io
import json
import pathlib
import re
import subprocess
import sys
import tempfile
import unittest
import urllib.request

DB, LOGGER, FIT, SIMRIG, SCENARIOS = (str(pathlib.Path(p).resolve()) for p in sys.argv[1:6])
NAMES = [
    "plain",
    "it's \"quoted\"",
    "a,b;c",
    "=1+1",
    "+cmd|' /C calc'!A0",
    "-2+3",
    "@SUM(A1:A9)",
    "Robert'); DROP TABLE motor;--",
    "</script><script>document.title='broken'</script>",
    "<img src=x onerror=alert(1)>",
    "\" onmouseover=\"alert(1)",
    "&lt;b&gt; &amp;",
    "{{7*7}} ${HOME} `id` %value% %s",
    "🧵 Spüle № 3 ß \u202e right to left",
    "line sep \u2028 here",
    "back\\slash\\n",
    "../../etc/passwd",
    " blanks around ",
    "null",
]
NOTE = "=first line\nsecond, \"line\" <b>bold</b>\twith a tab"
TAME = [f"name {i}" for i in range(len(NAMES))]


def run(*words, status=0, text=None):
    done = subprocess.run([str(w) for w in words], capture_output=True, check=False, input=text)
    out, err = done.stdout.decode(), done.stderr.decode()
    assert done.returncode == status, f"{words}: {done.returncode} {err}"
    return out if status == 0 else err


def guarded(text):
    return "'" + text if text[:1] in tuple("=+-@\t\r") else text


def rows(text):
    return list(csv.DictReader(io.StringIO(text, newline="")))


class Page(html.parser.HTMLParser):
    """What a browser would make of a page: elements, attributes, text outside of scripts."""

    def __init__(self, text):
        super().__init__(convert_charrefs=True)
        self.elements, self.attributes, self.words, self.inside = [], [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.elements.append(tag)
        self.attributes += attrs
        if tag in ("script", "style"):
            self.inside.append(tag)

    def handle_endtag(self, tag):
        if self.inside and self.inside[-1] == tag:
            self.inside.pop()

    def handle_data(self, data):
        if not self.inside:
            self.words.append(data)


class Names(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        folder = tempfile.TemporaryDirectory(prefix="loadline-names-")
        cls.addClassCleanup(folder.cleanup)
        cls.here = pathlib.Path(folder.name)
        cls.book, cls.tame = cls.here / "hostile.book", cls.here / "tame.book"
        for book, names in ((cls.book, NAMES), (cls.tame, TAME)):
            cls.fill(book, names)

    @classmethod
    def fill(cls, book, names):
        at = ["--book", book]
        run(DB, "init", *at)
        run(DB, "add", "rig", "bench", "--arm-mm", 100, *at)
        for name in names:
            for kind in ("motor", "machine", "belt", "pulley"):
                run(DB, "add", kind, "--note", NOTE, *at, "--", name)
        sweep = cls.here / "sweep.csv"
        sweep.write_text("time_s,motor_rpm,torque_nm\n0,9000,0.1\n0.1,8000,0.2\n0.2,7000,0.3\n")
        for name in names:
            run(DB, "import", sweep, "--kind", "top-speed", f"--motor={name}", f"--machine={name}",
                f"--belt={name}", f"--motor-pulley={name}", f"--hand-pulley={name}", *at)

    def db(self, *words, **more):
        return run(DB, *words, "--book", self.book, **more)

    def test_json_gives_every_name_back(self):
        for kind in ("motors", "machines", "belts", "pulleys"):
            listed = json.loads(self.db("list", kind, "--json"))[kind]
            self.assertEqual(sorted(part["name"] for part in listed), sorted(NAMES))
        runs = json.loads(self.db("list", "runs", "--json"))["runs"]
        for key in ("motor", "machine", "belt", "motor_pulley", "hand_pulley"):
            self.assertEqual([entry[key] for entry in runs], NAMES, key)
        shown = json.loads(run(DB, "show", "motor", "--json", "--book", self.book, "--", "-2+3"))
        self.assertEqual((shown["name"], shown["note"]), ("-2+3", NOTE))

    def test_csv_gives_every_name_back_and_no_formula(self):
        for kind in ("motors", "belts"):
            read = rows(self.db("export", kind))
            self.assertEqual(sorted(row["name"] for row in read),
                             sorted(guarded(name) for name in NAMES))
            self.assertEqual({row["note"] for row in read}, {guarded(NOTE)})
        read = rows(self.db("export", "runs"))
        for key in ("motor", "machine", "belt", "motor_pulley", "hand_pulley"):
            self.assertEqual([row[key] for row in read], [guarded(name) for name in NAMES], key)

    def test_a_merged_book_has_the_same_names(self):
        other = self.here / "other.book"
        run(DB, "init", "--book", other)
        run(DB, "merge", self.book, "--book", other)
        again = json.loads(run(DB, "merge", self.book, "--book", other, "--json"))
        self.assertFalse(again["changed"])
        listed = json.loads(run(DB, "list", "motors", "--json", "--book", other))["motors"]
        self.assertEqual(sorted(part["name"] for part in listed), sorted(NAMES))
        run(DB, "check", "--book", other)

    def test_a_file_cannot_smuggle_words_into_a_complaint(self):
        bad = self.here / "bad.csv"
        for heading in NAMES[1:]:
            with open(bad, "w", newline="", encoding="utf-8") as file:
                writer = csv.writer(file)
                writer.writerow(["time_s", heading + "\x1b[31m\x07"])
                writer.writerow([0, 1])
            said = self.db("import", bad, "--kind", "brake", status=2)
            self.assertEqual(said.count("\n"), 1, said)
            self.assertFalse(re.search(r"[\x00-\x09\x0b-\x1f\x7f]", said), ascii(said))

    def test_the_report_shows_names_as_text(self):
        pages = {}
        for book in (self.book, self.tame):
            out = self.here / (book.stem + ".html")
            run(FIT, "report", "-o", out, "--csv", self.here / book.stem, "--svg",
                self.here / book.stem, "--book", book)
            pages[book] = Page(out.read_text(encoding="utf-8"))
        page = pages[self.book]
        # The names make no element and no handler: there are as many as with tame names.
        self.assertEqual(sorted(page.elements), sorted(pages[self.tame].elements))
        self.assertNotIn("img", page.elements)
        self.assertFalse([a for a, _ in page.attributes if a.startswith("on")])
        self.assertFalse([v for a, v in page.attributes
                          if a in ("href", "src") and v != "data:," and not v.startswith("#")])
        text = "".join(page.words)
        for name in NAMES:
            self.assertIn(name.strip(), text)
        for file in (self.here / self.book.stem).glob("*.csv"):
            with open(file, newline="", encoding="utf-8") as opened:
                cells = [cell for row in csv.reader(opened) for cell in row]
            # A number may begin with a minus.
            self.assertFalse([c for c in cells if c[:1] in tuple("=+@\t\r")], file.name)
            self.assertFalse([c for c in cells if re.match(r"-[^\d.∞]", c)], file.name)

    def test_recording_and_live_page_carry_them(self):
        capture = self.here / "line.capture"
        if not capture.exists():
            run(SIMRIG, pathlib.Path(SCENARIOS) / "no-load.ini", "--capture", capture, "--set",
                "run.lead_s=1", "--set", "run.action_s=1", "--set", "run.tail_s=1")
        live = self.here / "live.book"
        run(DB, "backup", live, "--book", self.book)
        for name in NAMES:
            made = json.loads(run(LOGGER, "record", "no-load", "--port", capture,
                                  f"--motor={name}", "--json", "--book", live))
            shown = json.loads(run(DB, "show", "run", made["run"], "--json", "--book", live))
            self.assertEqual(shown["motor"], name)
            # What is proposed next can be pasted into a shell and means this name.
            words = subprocess.run(["bash", "-c", "printf '%s\\0' " + made["next"]],
                                   capture_output=True, check=True).stdout.decode().split("\0")
            self.assertIn(name, words)
        server = subprocess.Popen([LOGGER, "watch", "--port", str(capture), "--page-port", "0",
                                   "--for", "60", "--book", str(live)],
                                  stderr=subprocess.PIPE, text=True)
        try:
            address = re.search(r"http://[\d.:]+/", server.stderr.readline()).group(0)
            direct = urllib.request.build_opener(urllib.request.ProxyHandler({}))
            with direct.open(address + "state", timeout=20) as stream:
                state = json.loads(stream.readline().decode().removeprefix("data: "))
            for kind in ("motors", "machines", "belts", "pulleys"):
                self.assertEqual(sorted(state["bench"][kind]), sorted(NAMES), kind)
        finally:
            server.terminate()
            server.wait(20)
            server.stderr.close()


if __name__ == "__main__":
    unittest.main(argv=sys.argv[:1], verbosity=2)
