"""The bench page in a real browser: live_page_test.py LOGGER SIMRIG DB SCENARIOS

The real logger serves its page while the simulated rig plays a brake run and a slip check on a
pseudo-terminal. Nothing here is timed: every wait ends as soon as the page shows what it waits for,
and only gives up late. What the figures must be comes from the scenario (the brake's greatest
torque), from physics (power is torque times angular speed) and from what the page was told to do.
"""

import http.client
import json
import math
import os
import pathlib
import re
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import unittest

from browser import Browser

os.environ["LC_ALL"] = "C.UTF-8"  # the page is English unless a test says otherwise
LOGGER, SIMRIG, DB, SCENARIOS = (str(pathlib.Path(p).resolve()) for p in sys.argv[1:5])
# A name that breaks whatever takes it for markup.
MOTOR = "Heron <img src=x onerror=document.title='broken'> & \"70\""
PATIENCE = 60  # seconds; only a page that hangs gets near it


def call(*words):
    done = subprocess.run([str(w) for w in words], capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{words}: {done.returncode} {done.stderr}"
    return done.stdout


class Watch:
    """loadline-logger watch, and what it says."""

    def __init__(self, book, port, *more):
        self.process = subprocess.Popen(
            [LOGGER, "watch", "--port", str(port), "--page-port", "0", "--for", "280", "--book",
             str(book), *more], stderr=subprocess.PIPE, stdout=subprocess.DEVNULL, text=True)
        self.said, self.news = [], threading.Condition()
        threading.Thread(target=self._listen, daemon=True).start()
        self.port = int(self.find(r"http://[^/:]+:(\d+)/"))
        self.host = f"127.0.0.1:{self.port}"
        self.url = f"http://{self.host}/"

    def _listen(self):
        for line in self.process.stderr:
            with self.news:
                self.said.append(line)
                self.news.notify_all()

    def find(self, pattern, count=1):
        """The first group of the `count`th match in what was said, waiting for it."""
        end = time.monotonic() + PATIENCE
        with self.news:
            while True:
                found = re.findall(pattern, "".join(self.said))
                if len(found) >= count:
                    return found[count - 1]
                left = end - time.monotonic()
                if left <= 0:
                    raise AssertionError(f"{pattern} not among {self.said}")
                self.news.wait(min(left, 1))

    def ask(self, method, path, body=None, **headers):
        """One request as bytes on the wire say it; the answer with its text."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE)
        asked = {"Host": self.host, "Origin": f"http://{self.host}",
                 **{key.replace("_", "-"): value for key, value in headers.items()}}
        line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for key, value in asked.items():
            if value is not None:
                line.putheader(key, value)
        data = None if body is None else body.encode()
        if data is not None:
            line.putheader("Content-Length", str(len(data)))
        line.endheaders(data)
        answer = line.getresponse()
        answer.text = answer.read().decode()
        line.close()
        return answer

    def state(self, **headers):
        """The first event of the state's stream."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE)
        line.request("GET", "/state", headers={"Host": self.host, **headers})
        answer = line.getresponse()
        event = answer.readline().decode()
        line.close()
        return json.loads(event.removeprefix("data: "))

    def end(self):
        if self.process.poll() is not None:
            return
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(PATIENCE)
        self.process.stderr.close()


class Bench(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="loadline-bench-")
        cls.addClassCleanup(cls.folder.cleanup)
        here = pathlib.Path(cls.folder.name)
        cls.book, cls.line = here / "bench.book", here / "rig"
        at = ["--book", cls.book]
        call(DB, "init", *at)
        call(DB, "add", "rig", "bench", "--arm-mm", 100, *at)
        call(DB, "add", "motor", MOTOR, "--max-rpm", 9000, *at)
        call(DB, "add", "motor", "Finch 45", *at)
        call(DB, "add", "machine", "Wren", *at)
        for belt in ("ring", "link"):
            call(DB, "add", "belt", belt, "--section", "round", "--round-mm", 5, *at)
        points = []
        for mass in (0, 500, 1000):
            call(SIMRIG, f"{SCENARIOS}/rest.ini", "--set", f"cell.mass_g={mass}", "--capture",
                 here / f"rest-{mass}.capture")
            points += ["--point", f"{mass}={here}/rest-{mass}.capture"]
        call(LOGGER, "calibrate", *points, "--local-g", 9.80665, *at)
        cls.browser = Browser(1280, 800)
        cls.addClassCleanup(cls.browser.close)

    def setUp(self):
        self.browser.look(1280, 800)
        self.browser.console()
        self.browser.requests()

    def watch(self, *more):
        logger = Watch(self.book, self.line, *more)
        self.addCleanup(logger.end)
        return logger

    def rig(self, scenario, *settings):
        words = [SIMRIG, f"{SCENARIOS}/{scenario}.ini", "--link", str(self.line), "--wait", "120"]
        for setting in settings:
            words += ["--set", setting]
        process = subprocess.Popen(words, stdout=subprocess.DEVNULL)

        def end():
            if process.poll() is None:
                process.terminate()
            process.wait(PATIENCE)
            if os.path.lexists(self.line):
                os.unlink(self.line)
        self.addCleanup(end)
        return end

    def until(self, condition, what):
        self.assertTrue(self.browser.wait(condition, PATIENCE),
                        f"{what}: the page says {self.browser.run('return document.body.innerText')}")

    def phase(self, phase):
        self.until(f"document.body.dataset.phase === '{phase}'", f"phase {phase}")

    def text(self, name):
        return self.browser.run("return document.getElementById(arguments[0]).textContent", name)

    def choose(self, **values):
        self.browser.run("""
            for (const [id, value] of Object.entries(arguments[0])) {
              const field = document.getElementById(id);
              field.value = value;
              for (const kind of ['input', 'change'])
                field.dispatchEvent(new Event(kind, {bubbles: true}));
            }""", values)

    def press(self, name):
        self.browser.run("document.getElementById(arguments[0]).click()", name)

    def runs(self):
        return json.loads(call(DB, "list", "runs", "--json", "--book", self.book))["runs"]

    def quiet(self, url, console=True):
        """Nothing complained in the console, and no request went anywhere else."""
        if console:
            self.assertEqual(self.browser.console(), [], "the console complains")
        sent = [u for u in self.browser.requests() if not u.startswith(("data:", "chrome"))]
        self.assertIn(url, sent)
        self.assertEqual([u for u in sent if not u.startswith(url)], [], "a request left")
        self.assertNotEqual(self.browser.run("return document.title"), "broken")

    def test_a_brake_run_is_started_seen_and_stopped(self):
        before = len(self.runs())
        logger = self.watch()
        self.browser.open(logger.url)
        # No rig yet; it is found when it comes.
        self.until("document.getElementById('phase').textContent === 'No rig'", "no rig")
        self.rig("brake", "run.lead_s=3", "brake.sweep_s=20")
        self.until("document.getElementById('phase').textContent === 'Ready'"
                   " && document.getElementById('rpm').textContent !== '–'", "the rig is heard")
        # Start is disabled until it can succeed, and says why.
        waits = lambda pattern: self.until(
            f"document.getElementById('start').disabled && /{pattern}/.test("
            "document.getElementById('why').textContent)", f"why Start waits: {pattern}")
        self.choose(kind="brake", motor="")
        waits("choose the motor")
        self.choose(motor=MOTOR, inertia_kgm2="-1")
        waits("no number that can be")
        self.choose(inertia_kgm2="")
        waits("cautions")
        self.assertFalse(self.browser.run("return document.getElementById('cautions-box').hidden"))
        self.press("read")
        self.until("!document.getElementById('start').disabled", "Start")
        self.assertEqual(self.text("why"), "")
        self.press("start")
        self.phase("recording")
        self.until("document.getElementById('mounted').textContent.includes('Heron')", "mounted")
        self.assertIn(MOTOR, self.text("mounted"))

        # The figures change, and agree with one another.
        seen = []
        enough = lambda: len({s[0] for s in seen}) > 8 and len({s[1] for s in seen}) > 8
        end = time.monotonic() + PATIENCE
        while not enough() and time.monotonic() < end:
            figures = [t.replace(",", "").replace("−", "-") for t in self.browser.run(
                "return ['rpm', 'torque', 'power'].map((id) => "
                "document.getElementById(id).textContent)")]
            if "–" not in figures:
                seen.append([float(f) for f in figures])
        self.assertTrue(enough(), seen)
        for rpm, torque, power in seen:
            # As near as the digits shown can tell: half a mN·m and half a turn a minute.
            doubt = 0.0006 * rpm * math.pi / 30 + 0.6 * abs(torque) * math.pi / 30 + 0.55
            self.assertAlmostEqual(power, torque * rpm * math.pi / 30, delta=doubt)

        # This motor runs free at 13,700 rpm and may turn 9,000: told by shape, edge, words, sound.
        alarm = "document.getElementById('alarm')"
        self.until(f"{alarm}.dataset.look === 'urgent' && !{alarm}.hidden", "the alarm")
        self.assertRegex(self.text("alarm-text"), r"^Switch off: [\d,]+ of 9,000 rpm$")
        self.assertNotEqual(self.browser.run(
            "return getComputedStyle(document.querySelector('#alarm .sign')).clipPath"), "none")
        self.assertEqual(self.browser.run("return document.body.dataset.sound"), "over")

        # The scatter fills, with what such a motor does: less torque the faster it turns, and
        # never more than the band brakes with (brake.max_nm = 0.31, and its chatter).
        count = "Number(document.getElementById('scatter').dataset.points)"
        self.until(f"{count} > 20", "the first points")
        data = "Chart.getChart('scatter').data.datasets[1].data"
        self.until(f"{data}.filter((p) => p.y > 0.02 && p.x > 100).length > 50", "more points")
        points = self.browser.run(f"return {data}.map((p) => [p.x, p.y])")
        braked = sorted(p for p in points if p[1] > 0.02 and p[0] > 100)
        third = len(braked) // 3
        mean = lambda rows: sum(torque for _, torque in rows) / len(rows)
        self.assertGreater(mean(braked[:third]), 1.2 * mean(braked[-third:]))
        self.assertLess(max(torque for _, torque in braked), 0.31 * 1.1)
        axis = self.browser.run("return Chart.getChart('scatter').scales.x.max")
        self.assertGreaterEqual(axis, braked[-1][0], "points lie outside the plot")
        drawn = self.browser.run("""
            const canvas = document.getElementById('scatter'), seen = {};
            const d = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
            const want = getComputedStyle(document.documentElement).getPropertyValue('--torque')
              .trim().match(/[0-9a-f]{2}/g).map((x) => parseInt(x, 16));
            let hits = 0;
            for (let i = 0; i < d.length; i += 4)
              if (d[i] === want[0] && d[i + 1] === want[1] && d[i + 2] === want[2]) ++hits;
            return hits;""")
        self.assertGreater(drawn, 200, "the points are not on the canvas")
        self.assertRegex(self.text("hint"), r"rpm|Every part")
        covered = "Number(document.getElementById('scatter').dataset.covered)"
        self.until(f"{covered} >= 4", "the coverage grows")
        self.assertGreater(self.browser.run("return Number(document.getElementById('time')"
                                            ".dataset.points)"), 20)
        self.assertEqual(self.text("lost"), "0")
        self.assertIn("2.0 s allowed", self.text("standstill"))

        # A GET changes nothing, and a second start is refused while one is under way.
        for path in ("/stop", "/start"):
            self.assertEqual(logger.ask("GET", path).status, 404)
        again = logger.ask("POST", "/start", json.dumps(
            {"kind": "no-load", "motor": "Finch 45"}))
        self.assertEqual(again.status, 409)
        self.assertEqual(logger.state()["phase"], "recording")

        # On a phone nothing hangs over the edge, and Stop is in reach without scrolling.
        self.browser.look(390, 844, phone=True)
        self.until("window.innerWidth === 390", "the phone")
        self.assertLessEqual(self.browser.run("return document.documentElement.scrollWidth"), 390)
        self.assertTrue(self.browser.run("""
            const b = document.getElementById('stop').getBoundingClientRect();
            return b.top >= 0 && b.bottom <= window.innerHeight"""))
        # The hint is large, and neither the bar below nor the strip above lies over it.
        self.assertTrue(self.browser.run("""
            const b = document.getElementById('hint').getBoundingClientRect(), edge = (id) =>
              document.getElementById(id).getBoundingClientRect();
            return b.height > 0 && b.top >= edge('strip').bottom && b.bottom <= edge('bar').top"""))
        self.browser.look(1280, 800)
        self.until("window.innerWidth === 1280", "the bench's screen")
        # 16 minutes of arc at 2 m are 9.3 mm (the least for a character's height by ISO 9241-303,
        # from memory); a CSS pixel is 0.265 mm and a capital of this face 0.73 of its size.
        least = 2000 * math.tan(math.radians(16 / 60)) / (25.4 / 96) / 0.73
        size = lambda name: self.browser.run(
            "return parseFloat(getComputedStyle(document.getElementById(arguments[0])).fontSize)",
            name)
        for name in ("rpm", "torque", "power", "alarm"):
            self.assertGreater(size(name), least, name)
        self.assertGreater(size("hint"), least)
        self.press("stop")
        self.phase("ended")
        self.assertRegex(self.text("last"), r"Run \d+ \(brake\) complete")
        runs = self.runs()
        self.assertEqual(len(runs), before + 1)
        self.assertEqual([runs[-1][key] for key in ("kind", "state", "motor")],
                         ["brake", "complete", MOTOR])
        said = int(re.search(r"([\d,]+) samples", self.text("last")).group(1).replace(",", ""))
        self.assertEqual(runs[-1]["samples"], said)
        # Samples come 80 times a second (converter.rate), points ten times.
        self.assertGreater(said, 8 * 60)
        self.assertGreater(self.browser.run(f"return {count}"), 60, "the run's trace is gone")
        self.assertIn("of its limit of 9,000 rpm", self.text("last"))
        self.assertNotRegex(self.browser.run("return document.body.textContent"),
                            r"loadline-|--[a-z]", "a command to type")
        self.quiet(logger.url)

        # A page whose logger is gone says so, and shows no stale figure as if it were now.
        logger.end()
        self.until("document.getElementById('phase').textContent === 'No connection'", "the end")
        self.assertEqual([self.text(name) for name in ("rpm", "torque", "power")], ["–"] * 3)

    def test_the_locale_makes_the_page_german_cautions_too(self):
        self.addCleanup(os.environ.update, LC_ALL=os.environ["LC_ALL"])
        os.environ["LC_ALL"] = "de_DE.UTF-8"
        self.german()

    def test_an_option_makes_the_page_german_and_what_it_refuses(self):
        logger = self.german("--lang", "de")
        for path, body, words in (
                ("/start", '{"kind": "brake"}', "Lesen Sie zuerst die Vorsichtsregeln"),
                ("/start", '{"kind": "brake", "cautions_read": true, "supply_v": "1.200"}', "zwei Arten"),
                ("/start", '{"kind": "brake", "cautions_read": true, "supply_v": "2 Fuß"}', "keine Einheit"),
                ("/ask", '{"question": "motor"}', "worum die Frage geht"),
                ("/start", "{", "lässt sich nicht lesen")):
            self.assertIn(words, logger.ask("POST", path, body).text)
        done = subprocess.run([LOGGER, "watch", "--port", self.line, "--lang", "xx", "--book", self.book],
                              capture_output=True, text=True, check=False)
        self.assertEqual(done.returncode, 2)
        self.assertIn("no language 'xx'", done.stderr)

    def german(self, *more):
        self.rig("brake")
        logger = self.watch(*more)
        self.browser.open(logger.url)
        self.until("document.documentElement.lang === 'de'", "German")
        self.choose(kind="brake")
        self.until("document.querySelector('#cautions').textContent.length > 100", "cautions")
        seen = self.browser.run("return document.body.textContent")
        for words in ("elektrotechnischen Vorschriften des Landes", "zugelassene", "zwei Sekunden",
                      "Motordrehzahl", "Was möchten Sie wissen?"):
            self.assertIn(words, seen)
        # Words that no English sentence does without; scripts and names of the book hold none.
        self.assertEqual(re.findall(r"\b(?:the|of|with|is|are|not|and|from|for)\b", seen), [])
        return logger

    def test_from_the_question_to_the_answer(self):
        """A motor and what it gives: entered, recorded, judged, set aside and back, fitted."""
        logger = self.watch()
        self.browser.open(logger.url)
        self.rig("brake", "run.lead_s=4", "brake.sweep_s=16", "brake.settle_s=1", "run.tail_s=1")
        self.until("document.getElementById('rpm').textContent !== '–'", "the rig is heard")
        doing = lambda words: self.until(
            f"/{words}/.test(document.getElementById('do').textContent)", words)
        ask = lambda question: self.browser.run(
            f"document.querySelector('[data-question={question}]').click()")
        # What is missing for a question, step by step; a part is entered on the page.
        ask("machine")
        self.choose(subject="Wren")
        doing("Coast-down of Wren alone")
        ask("choice")
        self.until("document.querySelectorAll('#steps [data-mark=open]').length > 3", "what is missing")
        order = {"task": "part", "kind": "motor", "name": "Gull 30", "fields": {"max-rpm": 14000}}
        self.assertEqual(logger.ask("POST", "/task", json.dumps(order)).status, 200)
        ask("motor")
        self.until("[...document.getElementById('subject').options].some((o) => o.value === 'Gull 30')",
                   "the new motor")
        self.choose(subject="Gull 30")
        doing("Brake run of Gull 30")
        self.press("do")
        self.assertEqual(self.browser.run("return ['kind', 'motor'].map((id) => "
                                          "document.getElementById(id).value)"), ["brake", "Gull 30"])
        self.press("read")
        self.until("!document.getElementById('start').disabled", "Start")
        self.press("start")
        self.phase("recording")
        self.assertEqual(logger.ask("POST", "/ask", json.dumps(
            {"question": "motor", "subject": "Gull 30"})).status, 409, "asked during a run")
        self.phase("ended")
        self.until("document.getElementById('verdict').dataset.look === 'good'", "the verdict")
        # The scenario brakes with 0.31 N·m at most (brake.max_nm).
        moved = float(re.search(r"moved by ([\d.]+)", self.text("findings")).group(1))
        self.assertAlmostEqual(moved, 0.31, delta=0.03)
        run = self.runs()[-1]["run"]
        aside = lambda: json.loads(call(DB, "show", "run", run, "--json", "--book", self.book))["aside"]
        self.press("aside")
        self.until("document.getElementById('aside').textContent === 'Use it again'", "set aside")
        self.assertTrue(aside())
        doing("Brake run of Gull 30")
        self.press("aside")
        self.until("document.getElementById('aside').textContent === 'Set aside'", "back")
        self.assertFalse(aside())
        doing("Fit now: Gull 30")
        self.press("do")
        self.until("document.getElementById('answer').dataset.number === '1'", "the answer")
        # The scenario's truth, 76.24 W at its start (README); a sweep of 16 s is known to less.
        watts = float(re.search(r"at most ([\d.]+) W", self.text("answer-main")).group(1))
        self.assertAlmostEqual(watts, 76.2, delta=4)
        self.assertRegex(self.text("answer-figures"), r"0\.3\d+ \(0\.3\d+ to 0\.3\d+\) N·m")
        self.assertGreater(self.browser.run(
            "return Chart.getChart('answer-chart').data.datasets[2].data.length"), 20)
        for width, phone in ((390, True), (1280, False)):
            self.browser.look(width, 844 if phone else 800, phone=phone)
            self.until(f"window.innerWidth === {width}", "the screen")
            self.assertLessEqual(self.browser.run("return document.documentElement.scrollWidth"), width)
        self.assertNotRegex(self.browser.run("return document.body.textContent"),
                            r"loadline-|--[a-z]", "a command to type")
        self.quiet(logger.url)

    def plan(self):
        """Made in the terminal while the page is open."""
        call(LOGGER, "plan", "belts", "autumn", "--machine", "Wren", "--motor", MOTOR, "--replace",
             "--belt", "ring", "--belt", "link", "--repeats", 1, "--seed", 7, "--book", self.book)

    def test_a_page_opened_after_the_line_ended_shows_no_old_figures(self):
        logger = self.watch()
        end = self.rig("rest")
        self.browser.open(logger.url)
        self.until("document.getElementById('rpm').textContent !== '–'", "the rig is heard")
        end()
        self.until("document.getElementById('phase').textContent === 'No rig'", "no rig")
        self.browser.open(logger.url)
        self.until("document.getElementById('phase').textContent === 'No rig'", "no rig")
        self.assertEqual([self.text(name) for name in ("rpm", "torque", "power")], ["–"] * 3)
        self.assertTrue(self.browser.run("return document.getElementById('start').disabled"))
        self.assertIn("rig", self.text("why"))

    def start_the_plans_slip_check(self):
        """The plan of two belts stands open at its first step; gives the belt."""
        self.until("document.getElementById('rpm').textContent !== '–'", "the rig is heard")
        self.assertRegex(self.text("plan-name"), "autumn: step 1 of 2")
        belt = re.search(r"[Bb]elt (ring|link)", self.text("plan")).group(1)
        # A check that came too late to be seen may have set the belt already.
        kind = "top-speed" if "top speed" in self.text("plan") else "slip-check"
        self.press("plan-take")
        self.assertEqual(self.browser.run("return ['kind', 'machine', 'motor', 'belt'].map((id) => "
                                          "document.getElementById(id).value)"),
                         [kind, "Wren", MOTOR, belt])
        self.choose(kind="slip-check")
        self.press("read")
        self.until("!document.getElementById('start').disabled", "Start")
        self.press("start")
        return belt

    def sees_before_the_run_ends(self, logger, condition):
        said = len(logger.said)  # it says how each run ended
        end = time.monotonic() + PATIENCE
        while time.monotonic() < end and len(logger.said) == said:
            if self.browser.run(f"return {condition}"):
                return True
        return False

    def test_a_slip_check_counts_down_and_is_judged(self):
        before = len(self.runs())
        logger = self.watch()
        self.browser.open(logger.url)
        self.plan()
        self.until("!document.getElementById('plan-box').hidden", "the plan from the terminal")
        alarm = "document.getElementById('alarm-text').textContent"
        on = f"/n in \\d+ s/.test({alarm})"
        # The simulated hand throws the switch so long after the rig is first heard; on a machine
        # that is too busy to press Start until then, it is given longer.
        for lead in (5, 30, 120):
            end_rig = self.rig("slip-check", f"run.lead_s={lead}")
            belt = self.start_the_plans_slip_check()
            if self.sees_before_the_run_ends(logger, on):
                break
            end_rig()
            before = len(self.runs())
            self.until("document.getElementById('what').textContent.includes('port')", "no rig")
        else:
            self.fail("the countdown to switching on was never seen")
        self.until(f"/^Switch off in \\d\\.\\d s/.test({alarm})", "the countdown to switching off")
        self.assertEqual(self.text("power"), "–")  # the arm holds the wheel: no shaft power
        self.phase("ended")
        # The first check of a machine sets the band, so the belt is set by definition.
        self.until(f"{alarm}.startsWith('The belt is set')", "the verdict")
        # The belt holds 0.12 N·m at the motor (belt.capacity_nm), which stalls it to part speed.
        creep = int(re.search(r"creeps at ([\d,]+)", self.text("alarm-text")).group(1).replace(",", ""))
        self.assertTrue(1000 < creep < 10000, creep)
        self.until("document.getElementById('plan').textContent.includes('top speed')", "next step")
        runs = self.runs()
        self.assertEqual(len(runs), before + 1)
        self.assertEqual([runs[-1][key] for key in ("kind", "machine", "belt")],
                         ["slip-check", "Wren", belt])
        self.quiet(logger.url)

    def test_the_network_asks_for_the_code_on_every_request(self):
        before = len(self.runs())
        logger = self.watch("--listen")
        code = logger.find(r"#([0-9A-Z]{8})\b")
        order = json.dumps({"kind": "no-load", "motor": "Finch 45"})

        # Without the code there is nothing but the sheet that asks for it.
        sheet = logger.ask("GET", "/")
        self.assertEqual(sheet.status, 401)
        self.assertNotIn("rpm", sheet.text)
        for method, path in (("GET", "/state"), ("GET", "/page.js"), ("POST", "/start"),
                             ("POST", "/stop"), ("GET", "/?code=" + code)):
            answer = logger.ask(method, path, order if method == "POST" else None)
            self.assertEqual(answer.status, 401, path)
            self.assertIsNone(answer.getheader("Set-Cookie"))
        wrong = "A" * 8 if code != "A" * 8 else "B" * 8
        for given in (wrong, "", code[:7], code + "A", code.lower()):
            answer = logger.ask("POST", "/open", json.dumps({"code": given}))
            self.assertEqual((answer.status, answer.getheader("Set-Cookie")), (403, None), given)
        self.assertEqual(logger.ask("POST", "/open", "[").status, 403)
        # The code is no good from elsewhere either, nor in an address.
        for origin in (None, "http://elsewhere.example", "null"):
            answer = logger.ask("POST", "/open", json.dumps({"code": code}), Origin=origin)
            self.assertEqual(answer.status, 403, origin)

        # In the browser: a wrong code is refused in words, the right one opens, once.
        self.browser.open("about:blank")
        for drain in (self.browser.console, self.browser.requests):
            drain()  # a page of another test has missed its logger meanwhile
        self.browser.open(logger.url + "#" + wrong)
        self.until("document.getElementById('complaint').textContent", "the refusal")
        self.assertIn("not the code", self.text("complaint"))
        self.assertEqual(self.browser.run("return location.hash"), "")
        self.browser.run("document.getElementById('code').value = arguments[0];"
                         "document.querySelector('#gate button').click()", code.lower())
        self.until("document.getElementById('rpm')", "the page behind the code")
        self.phase("idle")
        self.assertEqual(self.browser.run("return document.cookie"), "", "scripts see the token")
        refused = logger.ask("POST", "/open", json.dumps({"code": code}))
        self.assertEqual(refused.status, 403, "the code opens twice")
        complaints = [c for c in self.browser.console() if "401" not in c and "403" not in c]
        self.assertEqual(complaints, [], "the console complains")
        self.quiet(logger.url, console=False)

        # A second browser takes the second code; then the guards of an opened one.
        opened = logger.ask("POST", "/open", json.dumps(
            {"code": logger.find(r"#([0-9A-Z]{8})\b", 2)}))
        self.assertEqual(opened.status, 200)
        cookie = opened.getheader("Set-Cookie")
        self.assertIn("HttpOnly", cookie)
        self.assertIn("SameSite=Strict", cookie)
        token = cookie.split(";")[0]
        page = logger.ask("GET", "/", Cookie=token)
        self.assertEqual(page.status, 200)
        self.assertIn("rpm", page.text)
        self.assertEqual(logger.ask("GET", "/", Cookie=token[:-1] + "?").status, 401)
        for answer in (sheet, page):
            policy = answer.getheader("Content-Security-Policy")
            self.assertIn("default-src 'none'", policy)
            self.assertIn("frame-ancestors 'none'", policy)
            self.assertNotIn("unsafe", policy)
            self.assertNotIn("*", policy)
            self.assertEqual(answer.getheader("X-Content-Type-Options"), "nosniff")
        for host in ("elsewhere.example", f"elsewhere.example:{logger.port}", "127.0.0.1", ""):
            self.assertEqual(logger.ask("GET", "/", Cookie=token, Host=host).status, 403, host)
        for origin in (None, "", "null", "http://elsewhere.example", f"https://{logger.host}"):
            answer = logger.ask("POST", "/start", order, Cookie=token, Origin=origin)
            self.assertEqual(answer.status, 403, origin)
        for path in ("/start", "/stop", "/open"):
            self.assertEqual(logger.ask("GET", path, Cookie=token).status, 404, path)
        large = logger.ask("POST", "/start", json.dumps({"kind": "no-load", "note": "x" * 9000}),
                           Cookie=token)
        self.assertEqual(large.status, 413)
        for nonsense, status in (("{", 400), ("[]", 409), ('{"kind": "sweep"}', 409),
                                 ('{"kind": 7}', 409), ('{"kind": "brake"}', 409)):
            answer = logger.ask("POST", "/start", nonsense, Cookie=token)
            self.assertEqual(answer.status, status, nonsense)
            self.assertTrue(answer.text.strip())
        self.assertEqual(logger.state(Cookie=token)["phase"], "idle", "something was started")
        self.assertEqual(len(self.runs()), before)

    def test_without_listen_only_this_machine_is_served(self):
        logger = self.watch()
        self.assertEqual(logger.ask("GET", "/").status, 200)
        for host in (f"192.168.1.5:{logger.port}", f"elsewhere.example:{logger.port}"):
            self.assertEqual(logger.ask("GET", "/", Host=host).status, 403, host)
        # 127.0.0.2 is another address of this machine: whoever listens on all of them answers.
        with socket.socket() as caller:
            self.assertNotEqual(caller.connect_ex(("127.0.0.2", logger.port)), 0)


if __name__ == "__main__":
    unittest.main(argv=sys.argv[:1] + sys.argv[5:], verbosity=2)
