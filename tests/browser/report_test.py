"""The report in a real browser: report_test.py LOADLINE-DB LOADLINE-FIT.

A book is made from two imported brake runs and a coast-down pair whose physics is written here;
then the page must show every curve, its slider must give what `drive` prints, it must work by
keyboard, in the dark, on a phone and on paper, without a complaint in the console and without one
request leaving the machine.
"""

import csv
import json
import math
import os
import pathlib
import random
import re
import struct
import subprocess
import sys
import tempfile
import unittest
import xml.etree.ElementTree
import zlib

from browser import Browser

os.environ["LC_ALL"] = "C.UTF-8"  # English, whatever the locale of the tests
DB, FIT = (str(pathlib.Path(p).resolve()) for p in sys.argv[1:3])
# Names that break whatever does not quote them.
MOTORS = ["Heron 70", "</script><script>document.title='broken'</script> \"O'Neill\" & =1+1 🧵"]
FIRST = sorted(MOTORS)[0]  # the page has them by name
MACHINE = "Wren <img src=x onerror=document.title='broken'>"


def call(*words, status=0):
    done = subprocess.run([str(w) for w in words], capture_output=True, text=True, check=False)
    assert done.returncode == status, f"{words}: {done.returncode} {done.stderr}"
    return done.stdout


def write_csv(path, header, rows):
    with open(path, "w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(header)
        writer.writerows([[f"{cell:.6g}" for cell in row] for row in rows])


def brake_run(path, a, seed):
    """Series motor a/((w+280)^2+420^2), swept down and up over 40 s, 2 mN·m of noise."""
    noise = random.Random(seed)
    rows = []
    for i in range(1600):
        share = abs(i / 800 - 1)
        w = 150 + 750 * share
        rows.append([i * 0.025, w * 30 / math.pi,
                     a / ((w + 280) ** 2 + 420 ** 2) + noise.gauss(0, 0.002)])
    write_csv(path, ["time_s", "motor_rpm", "torque_nm"], rows)


def coast_down(path, inertia, seed):
    """J dw/dt = -(0.05 + 0.0006 w), from 100 rad/s (closed form)."""
    noise = random.Random(seed)
    c0, c1 = 0.05, 0.0006
    rows, t = [], 0.0
    while True:
        w = (100 + c0 / c1) * math.exp(-c1 * t / inertia) - c0 / c1
        if w < 4:
            break
        rows.append([t, w * 30 / math.pi * (1 + noise.gauss(0, 0.0005))])
        t += 0.0125
    write_csv(path, ["time_s", "handwheel_rpm"], rows)


class ReportInBrowser(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="loadline-report-")
        cls.addClassCleanup(cls.folder.cleanup)
        here = pathlib.Path(cls.folder.name)
        cls.book, cls.page = here / "evening.book", here / "report.html"
        at = ["--book", cls.book]
        call(DB, "init", *at)
        for name in MOTORS:
            call(DB, "add", "motor", name, "--rated-v", 230, "--max-rpm", 12000, *at)
        call(DB, "add", "machine", MACHINE, "--stroke-mm", 30, *at)
        call(DB, "add", "pulley", "small", "--role", "motor", "--rim-mm", 20, "--groove-top-mm", 6,
             "--groove-depth-mm", 5, "--groove-angle-deg", 38, "--bore-mm", 6, *at)
        call(DB, "add", "belt", "ring", "--section", "round", "--round-mm", 5, *at)
        for i, name in enumerate(MOTORS):
            brake_run(here / "brake.csv", 5.5e4 + 6e3 * i, i)
            call(DB, "import", here / "brake.csv", "--kind", "brake", "--motor", name, "--supply-v",
                 230, "--inertia-kgm2", 3e-5, *at)
            call(FIT, "motor", name, *at)
        for added, inertia in ((0, 0.0016), (0.0021, 0.0037)):
            coast_down(here / "coast.csv", inertia, added)
            words = ["--added-inertia-kgm2", added] if added else []
            call(DB, "import", here / "coast.csv", "--kind", "coast-down", "--machine", MACHINE,
                 *words, *at)
        call(FIT, "drag", MACHINE, *at)
        call(FIT, "report", "-o", cls.page, "--csv", here / "csv", "--svg", here / "svg", *at)
        cls.browser = Browser()
        cls.addClassCleanup(cls.browser.close)

    def setUp(self):
        self.browser.look(1100, 900)
        self.browser.console()
        self.browser.requests()
        self.browser.open(self.page.as_uri())
        self.open_folds()

    def open_folds(self):
        self.browser.run("for (const fold of document.querySelectorAll('details')) fold.open = true")
        self.assertTrue(self.browser.wait("""[...document.querySelectorAll('figure[data-plot]')]
            .every((f) => Chart.getChart(f.querySelector('canvas')))"""), "a fold stays undrawn")

    def tearDown(self):
        self.assertEqual(self.browser.console(), [], "the console complains")
        sent = [url for url in self.browser.requests() if not url.startswith(("data:", "chrome"))]
        self.assertEqual([url for url in sent if url != self.page.as_uri()], [],
                         "a request leaves the page")
        self.assertNotEqual(self.browser.run("return document.title"), "broken")

    def plots(self):
        return self.browser.run("""return [...document.querySelectorAll('figure[data-plot]')].map(
            (f) => ({id: f.dataset.plot, chart: !!Chart.getChart(f.querySelector('canvas')),
                     height: f.querySelector('.screen').clientHeight}))""")

    def test_every_curve_is_shown(self):
        plots = self.plots()
        shown = [plot["id"] for plot in plots]
        for start, count in (("torque-", 2), ("power-", 2), ("residual-", 2), ("drag-", 2),
                             ("motors-", 2), ("cross-", 1), ("top-speed-", 1)):
            self.assertGreaterEqual(sum(p.startswith(start) for p in shown), count, start)
        for plot in plots:
            self.assertTrue(plot["chart"], plot)
            self.assertGreater(plot["height"], 200, plot)
        # A canvas that stayed blank has one colour only.
        colours = self.browser.run("""
            return [...document.querySelectorAll('canvas')].map((canvas) => {
              const d = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
              const seen = new Set();
              for (let i = 0; i < d.length; i += 4 * 97) seen.add(d[i] + ',' + d[i+1] + ',' + d[i+2]);
              return seen.size; })""")
        self.assertTrue(all(count > 5 for count in colours), colours)

    def test_points_band_and_extrapolation_reach_the_chart(self):
        sets = self.browser.run("""
            const canvas = document.querySelector('figure[data-plot^=torque-] canvas');
            return Chart.getChart(canvas).data.datasets.map((s) =>
              ({type: s.type, n: s.data.length, helper: !!s.helper, fill: s.fill,
                from: s.source && s.source.from, to: s.source && s.source.to}))""")
        self.assertTrue(any(s["type"] == "scatter" and s["n"] > 300 for s in sets), sets)
        self.assertTrue(any(s["fill"] == "-1" for s in sets), sets)
        line = next(s for s in sets if s["type"] == "line" and not s["helper"])
        # Measured from 150 to 900 rad/s.
        self.assertAlmostEqual(line["from"], 150 * 30 / math.pi, delta=30)
        self.assertAlmostEqual(line["to"], 900 * 30 / math.pi, delta=60)

    def test_the_slider_gives_what_drive_prints(self):
        for ratio in (4.3, 6.5, 9.0):
            moved = self.browser.run("""
                const box = document.querySelector('.slider');
                const input = box.querySelector('input');
                const pair = JSON.parse(document.getElementById('data-' + box.dataset.pair)
                  .textContent);
                input.value = pair.stops.findIndex((s) => Math.abs(s.ratio - arguments[0]) < 1e-9);
                input.dispatchEvent(new Event('input', {bubbles: true}));
                const chart = Chart.getChart(document.querySelector('#plot-' + pair.plot
                  + ' canvas'));
                const cross = chart.data.datasets.find((s) => s.source &&
                  s.source.look === 'mark').data[0];
                const text = (key) => box.querySelector(`[data-key="${key}"]`).parentElement
                  .textContent;
                return {ratio: box.querySelector('output').textContent, cross,
                  motor_speed: text('motor_speed'), handwheel_speed: text('handwheel_speed'),
                  shaft_power: text('shaft_power'), standstill_torque: text('standstill_torque')};
                """, ratio)
            said = json.loads(call(FIT, "drive", "--motor", FIRST, "--machine", MACHINE,
                                   "--ratio", ratio, "--json", "--book", self.book))
            self.assertEqual(moved["ratio"], f"{ratio:.1f} : 1")
            self.assertAlmostEqual(moved["cross"]["x"], said["motor_speed"]["value"],
                                   delta=1e-3 * said["motor_speed"]["value"])
            for key in ("motor_speed", "handwheel_speed", "shaft_power", "standstill_torque"):
                numbers = re.findall(r"-?[\d,]*\.?\d+", moved[key])
                for shown, wanted in zip(numbers, ("value", "low", "high")):
                    # As near as the digits shown can tell.
                    decimals = len(shown.partition(".")[2])
                    self.assertAlmostEqual(float(shown.replace(",", "")), said[key][wanted],
                                           delta=0.51 * 10 ** -decimals, msg=f"{key} at {ratio}")
                self.assertGreaterEqual(len(numbers), 3, moved[key])

    def test_the_load_line_falls_as_the_ratio_rises(self):
        heights = [self.browser.run("""
            const box = document.querySelector('.slider'), input = box.querySelector('input');
            input.value = arguments[0];
            input.dispatchEvent(new Event('input', {bubbles: true}));
            const pair = JSON.parse(document.getElementById('data-' + box.dataset.pair).textContent);
            const chart = Chart.getChart(document.querySelector('#plot-' + pair.plot + ' canvas'));
            return chart.data.datasets.filter((s) => s.source)[pair.load_set].data[0].y""", stop)
                   for stop in (10, 50, 100)]
        self.assertGreater(heights[0], heights[1])
        self.assertGreater(heights[1], heights[2])

    def test_the_keyboard_reads_a_curve(self):
        said = self.browser.run("""
            const figure = document.querySelector('figure[data-plot^=torque-]');
            const canvas = figure.querySelector('canvas');
            canvas.focus();
            for (let i = 0; i < 8; ++i)
              canvas.dispatchEvent(new KeyboardEvent('keydown', {key: 'ArrowRight', bubbles: true,
                cancelable: true}));
            return [document.activeElement === canvas, figure.querySelector('.readout').textContent]
            """)
        self.assertTrue(said[0], "a plot cannot take the focus")
        self.assertRegex(said[1], r"rpm: .* N·m \(.* to .*\)")

    def test_the_answer_comes_first_and_the_expert_last(self):
        self.browser.open(self.page.as_uri())
        order = self.browser.run("""
            const place = (what) => { const all = [...document.querySelectorAll('main *')];
              return all.findIndex((e) => e.matches(what)); };
            return {verdict: place('.verdict'), care: place('.caution'), table: place('table'),
                    plot: place('figure'), fold: place('details'), main: place('section'),
                    behind: document.querySelectorAll('details ~ section, details ~ figure').length,
                    open: document.querySelectorAll('details[open]').length}""")
        self.assertGreater(order["care"], order["verdict"])
        for later in ("table", "plot"):
            self.assertGreater(order[later], order["care"], later)
        self.assertEqual((order["behind"], order["open"]), (0, 0), order)
        # What only an expert asks for stands in the fold, and nothing of it before.
        for name in ("residual-", "coast-residual-", "parameters-", "budget-", "trade-off-"):
            places = self.browser.run("""
                return [...document.querySelectorAll(`[id^=plot-${arguments[0]}],
                  [id^=table-${arguments[0]}]`)].map((e) => Boolean(e.closest('#expert')))""", name)
            self.assertTrue(places and all(places), f"{name} {places}")

    def test_a_link_opens_its_fold(self):
        self.browser.open(self.page.as_uri() + "#runs-nowhere")
        self.browser.run("location.hash = '#sources'")
        self.assertTrue(self.browser.wait("document.querySelector('#expert').open"))

    def test_every_picture_has_words(self):
        texts = self.browser.run("""
            return [...document.querySelectorAll('svg[role=img]')].map((e) => [
                e.querySelector('title')?.textContent ?? '', e.querySelector('desc')?.textContent ??
                e.closest('figure').textContent]).concat(
              [...document.querySelectorAll('canvas')].map((e) => [e.ariaLabel, e.ariaLabel]))""")
        self.assertGreater(len(texts), 20)
        for title, words in texts:
            self.assertGreater(len(title), 3, words)
            self.assertGreater(len(words), 20, title)
        unnamed = self.browser.run("""
            return [...document.querySelectorAll('svg:not([role]):not([aria-hidden])')].filter(
              (e) => !e.parentElement.closest('svg')).length""")
        self.assertEqual(unnamed, 0, "a picture is neither named nor hidden from screen readers")

    def test_dark_and_light_keep_their_contrast(self):
        def contrast():
            ink, paper = self.browser.run("""
                const s = getComputedStyle(document.body);
                return [s.color, s.backgroundColor]""")
            def luminance(colour):  # WCAG 2.2, relative luminance
                parts = [int(p) / 255 for p in re.findall(r"\d+", colour)[:3]]
                parts = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
                return 0.2126 * parts[0] + 0.7152 * parts[1] + 0.0722 * parts[2]
            a, b = luminance(ink), luminance(paper)
            return (max(a, b) + 0.05) / (min(a, b) + 0.05), b
        light = contrast()
        self.browser.look(1100, 900, dark=True)
        dark = contrast()
        # WCAG 2.2, 1.4.6: enhanced contrast is 7 : 1.
        self.assertGreater(light[0], 7)
        self.assertGreater(dark[0], 7)
        self.assertGreater(light[1], 0.5)
        self.assertLess(dark[1], 0.1)

    def test_a_phone_needs_no_sideways_scrolling(self):
        self.browser.look(390, 844, phone=True)
        self.browser.open(self.page.as_uri())
        # Not against innerWidth: on a phone that grows with what is too wide.
        wide = self.browser.run("return document.documentElement.scrollWidth")
        self.assertLessEqual(wide, 390)
        self.open_folds()
        cues = self.browser.run("""
            return [...document.querySelectorAll('.scroller')].map((e) => [
              e.scrollWidth > e.clientWidth + 1,
              getComputedStyle(e.querySelector('.more')).display !== 'none',
              e.querySelector('caption > span').getBoundingClientRect().right <= innerWidth])""")
        self.assertTrue(any(beyond for beyond, _, _ in cues), "no table is wide: nothing is tested")
        for beyond, told, whole in cues:
            self.assertEqual(beyond, told, "a table goes on beyond the edge without saying so")
            self.assertTrue(whole, "a table's caption is cut")

    def test_paper_gets_lines_not_pixels(self):
        self.browser.devtools("Emulation.setEmulatedMedia", media="print")
        state = self.browser.run("""
            const figure = document.querySelector('figure[data-plot]');
            const shown = (e) => getComputedStyle(e).display !== 'none';
            return [shown(figure.querySelector('.picture')), shown(figure.querySelector('.screen'))]
            """)
        self.browser.devtools("Emulation.setEmulatedMedia", media="")
        self.assertEqual(state, [True, False])
        paper = self.page.with_suffix(".pdf")
        self.browser.pdf(paper)
        self.assertTrue(paper.read_bytes().startswith(b"%PDF"))

    def test_nothing_is_cut_off_on_paper(self):
        # 180 mm of an A4 page between its margins, at 96 pixels an inch (CSS's inch).
        self.browser.look(round(180 / 25.4 * 96), 900)
        self.browser.devtools("Emulation.setEmulatedMedia", media="print")
        width, over = self.browser.run("""
            const width = document.documentElement.clientWidth;
            return [width, [...document.querySelectorAll('table, figure, .slider, .caution, p')]
              .filter((e) => e.getBoundingClientRect().right > width + 0.5)
              .map((e) => (e.id || e.className || e.textContent.slice(0, 40)))]""")
        self.browser.devtools("Emulation.setEmulatedMedia", media="")
        self.assertEqual(over, [], f"beyond {width} pixels")

    def test_every_table_and_every_plot_is_a_file_too(self):
        tables, plots = self.browser.run("""
            return [[...document.querySelectorAll('table[id]')].map((t) => [t.id.slice('table-'.length),
                      t.tBodies[0].rows.length]),
                    [...document.querySelectorAll('figure[data-plot]')].map((f) => f.dataset.plot)]
            """)
        here = self.page.parent
        self.assertEqual(sorted(f.stem for f in (here / "csv").iterdir()),
                         sorted(name for name, _ in tables))
        for name, count in tables:
            with open(here / "csv" / f"{name}.csv", newline="", encoding="utf-8") as opened:
                self.assertEqual(len(list(csv.reader(opened))), count + 1, name)
        self.assertEqual(sorted(f.stem for f in (here / "svg").iterdir()), sorted(plots))
        for name in plots:
            root = xml.etree.ElementTree.parse(here / "svg" / f"{name}.svg").getroot()
            self.assertEqual(root.tag, "{http://www.w3.org/2000/svg}svg")
            words = [e.text or "" for e in root.iter("{http://www.w3.org/2000/svg}text")]
            # An axis names its quantity, and its unit where it has one.
            self.assertTrue(any(re.search(r"\((rpm|N·m|W|%|s)\)$", w) for w in words), name)
            # More than the short strokes of its key.
            drawn = [e for e in root.iter() if e.get("class", "").split(" ")[0] in
                     ("line", "points", "whisker") and (len(e.get("d", "")) > 60 or
                                                        "whisker" in e.get("class"))]
            self.assertTrue(drawn, name)

    def test_notes_of_parts_and_runs_stand_in_front(self):
        notes = ["brushes new <b>in spring</b>", "groove worn", "the lamp flickered"]
        for note, words in zip(notes, (("motor", MOTORS[0]), ("pulley", "small"), ("run", 1))):
            call(DB, "set", *words, "--note", note, "--book", self.book)
        # One grey dot (a PNG of ISO/IEC 15948, packed with Python's zlib).
        dot = self.page.with_name("dot.png")
        dot.write_bytes(b"\x89PNG\r\n\x1a\n" + b"".join(
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
            for name, data in ((b"IHDR", struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)),
                               (b"IDAT", zlib.compress(b"\0\x80")), (b"IEND", b""))))
        call(DB, "set", "run", 1, "--picture", dot, "--book", self.book)
        page = self.page.with_name("notes.html")
        call(FIT, "report", "-o", page, "--book", self.book)
        self.browser.open(page.as_uri())
        said = self.browser.run("""
            return [...document.querySelectorAll('#notes li')].map((e) => e.textContent)""")
        folded = self.browser.run("return !!document.querySelector('#notes').closest('details')")
        self.browser.requests()  # opening the other page is no leak of this one
        self.assertFalse(folded)
        pictures = self.browser.run("""
            return [...document.querySelectorAll('#notes .picture')].map((e) =>
                [e.querySelector('img').naturalWidth, e.textContent])""")
        self.assertEqual(pictures, [[1, "Run 1, brake: dot.png"]])
        self.assertEqual([line.partition(": ")[2] for line in said], notes)
        self.assertIn("Heron 70", said[0])
        self.assertRegex(said[2], "^Run 1, brake: ")

    def test_german_says_the_years_too(self):
        """Four evenings of one motor, new brushes between them, and of a machine."""
        book = self.page.with_name("years.book")
        at = ["--book", book]
        call(DB, "init", *at)
        call(DB, "add", "motor", "Heron 70", "--rated-v", 230, *at)
        call(DB, "add", "machine", "Wren", *at)
        rows = self.page.with_name("evening.csv")
        for i, day in enumerate(("2024-03-01", "2024-09-01", "2025-03-01", "2025-09-01")):
            brake_run(rows, 5.5e4 * (0.98 if i < 2 else 1.03), 40 + i)
            call(DB, "import", rows, "--kind", "brake", "--motor", "Heron 70", "--supply-v", 230,
                 "--inertia-kgm2", 3e-5, "--on", day, *at)
            for added, inertia in ((0, 0.0016), (0.0021, 0.0037)):
                coast_down(rows, inertia, 10 * i + added)
                words = ["--added-inertia-kgm2", added] if added else []
                call(DB, "import", rows, "--kind", "coast-down", "--machine", "Wren", *words, "--on",
                     day, *at)
        call(DB, "set", "motor", "Heron 70", "--event", "new brushes", "--on", "2024-12-01", *at)
        call(FIT, "motor", "Heron 70", *at)
        call(FIT, "drag", "Wren", *at)
        done = json.loads(call(FIT, "report", "-o", self.page.with_name("jahre.html"), "--lang", "de",
                               "--json", *at))
        self.assertEqual((done["language"], done["untranslated"]), ("de", []))
        self.browser.open(self.page.with_name("jahre.html").as_uri())
        said = self.browser.run("return document.body.textContent")
        self.browser.requests()
        self.assertIn("2024-09-01", said)
        self.assertIn("new brushes", said)  # as it was written

    def test_german_says_it_all_too(self):
        done = json.loads(call(FIT, "report", "-o", self.page.with_name("bericht.html"), "--lang",
                               "de", "--json", "--book", self.book))
        self.assertEqual((done["language"], done["untranslated"]), ("de", []))
        call(FIT, "report", "-o", self.page.with_name("x.html"), "--lang", "xx", "--book", self.book,
             status=2)

    def test_names_stay_text_and_files_stay_in_their_folder(self):
        text = self.browser.run("return document.body.innerText")
        for name in [*MOTORS, MACHINE]:
            self.assertIn(name, text)
        self.assertEqual(self.browser.run("return document.querySelectorAll('main img').length"), 0)
        here = self.page.parent
        self.assertGreater(len(list((here / "svg").glob("*.svg"))), 8)
        for file in (here / "csv").glob("*.csv"):
            with open(file, newline="", encoding="utf-8") as opened:
                rows = list(csv.reader(opened))
            self.assertTrue(all(len(row) == len(rows[0]) for row in rows), file.name)
            # No cell that a spreadsheet would run.
            self.assertFalse([c for row in rows for c in row if re.match(r"[=+@]", c)], file.name)


if __name__ == "__main__":
    unittest.main(argv=sys.argv[:1], verbosity=2)
