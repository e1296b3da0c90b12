"""The demo's report as a reader has it in hand: paper_test.py PROGRAM… SAMPLE-RUNS.

The demo itself makes the book from its captures. Its report must fit on eight pages, with no plot
split between two of them or alone on one, and its first words must be what `choose` answers.
Pages are read by pdftotext (poppler).
"""

import json
import os
import pathlib
import re
import shutil
import subprocess
import sys
import tempfile
import unittest

from browser import Browser

PROGRAMS = [pathlib.Path(p).resolve() for p in sys.argv[1:-1]]
SAMPLES = pathlib.Path(sys.argv[-1]).resolve()
FIT = next(p for p in PROGRAMS if p.name == "loadline-fit")
MOST_PAGES = 8
ALONE = 70  # words: a page with one picture and its caption holds some fifty


class OnPaper(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.folder = tempfile.TemporaryDirectory(prefix="loadline-paper-")
        cls.addClassCleanup(cls.folder.cleanup)
        here = pathlib.Path(cls.folder.name)
        # Without a source tree above it the demo takes the programs of the path.
        installed = here / "share" / "loadline" / "sample-runs"
        installed.mkdir(parents=True)
        shutil.copy(SAMPLES / "demo.sh", installed)
        (installed / "captures").symlink_to(SAMPLES / "captures")
        cls.environment = dict(os.environ, LC_ALL="C.UTF-8", PATH=os.pathsep.join(
            [str(p.parent) for p in PROGRAMS] + [os.environ["PATH"]]))
        done = subprocess.run(["bash", installed / "demo.sh"], cwd=here, env=cls.environment,
                              capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        cls.demo = here / "loadline-demo"
        cls.page = cls.demo / "report.html"
        cls.browser = Browser()
        cls.addClassCleanup(cls.browser.close)
        cls.browser.look(1280, 800)
        cls.browser.open(cls.page.as_uri())
        cls.plots = cls.browser.run("""
            return [...document.querySelectorAll('figure[data-plot]')].filter(
              (f) => !f.closest('details')).map((f) => ({
                title: f.querySelector('figcaption strong').textContent,
                axis: [...f.querySelectorAll('.picture text')].map((t) => t.textContent)
                  .find((t) => / \\((rpm|%)\\)$|^Ratio/.test(t))}))""")
        paper = here / "report.pdf"
        cls.browser.pdf(paper)
        text = subprocess.run(["pdftotext", "-layout", paper, "-"], capture_output=True, text=True,
                              check=True).stdout
        cls.pages = text.rstrip("\f").split("\f")

    def test_it_fits_on_eight_pages(self):
        self.assertLessEqual(len(self.pages), MOST_PAGES)

    def test_no_plot_is_split_or_alone(self):
        self.assertGreater(len(self.plots), 6)
        for plot in self.plots:
            places = [i for i, page in enumerate(self.pages)
                      if re.search(r"^\s*" + re.escape(plot["title"]) + r"\s*$", page, re.M)]
            self.assertEqual(len(places), 1, f"{plot['title']} on pages {places}")
            page = self.pages[places[0]]
            self.assertIn(plot["axis"], page, f"{plot['title']} is split")
            self.assertGreater(len(page.split()), ALONE, f"{plot['title']} is alone on its page")

    def best(self):
        done = subprocess.run([FIT, "choose", "--machine", "Wren", "--json", "--book",
                               self.demo / "evening.book"], capture_output=True, text=True,
                              check=True)
        return json.loads(done.stdout)["choices"][0]

    def test_it_opens_with_what_choose_answers(self):
        best = self.best()
        verdict = self.browser.run("return document.querySelector('.verdict').textContent")
        for part in ("motor", "motor_pulley", "belt"):
            self.assertIn(best[part], verdict)
        self.assertIn(f"{best['handwheel_speed']['value']:,.0f}", verdict)
        self.assertIn(verdict.split()[0], self.pages[0])

    def test_a_phone_needs_no_sideways_scrolling(self):
        self.browser.look(390, 844, phone=True)
        self.browser.open(self.page.as_uri())
        wide = self.browser.run("""
            for (const fold of document.querySelectorAll('details')) fold.open = true;
            return document.documentElement.scrollWidth""")
        self.browser.look(1280, 800)
        self.browser.open(self.page.as_uri())
        self.assertLessEqual(wide, 390)

    def german(self):
        page = self.demo / "bericht.html"
        done = subprocess.run([FIT, "report", "-o", page, "--json", "--book",
                               self.demo / "evening.book"], capture_output=True, text=True,
                              check=True, env=dict(os.environ, LC_ALL="", LC_MESSAGES="de_DE.UTF-8"))
        return page, json.loads(done.stdout)

    def test_the_locale_makes_it_german_throughout(self):
        page, said = self.german()
        self.assertEqual((said["language"], said["untranslated"]), ("de", []))
        self.browser.open(page.as_uri())
        self.browser.run("for (const fold of document.querySelectorAll('details')) fold.open = true")
        self.browser.wait("""[...document.querySelectorAll('canvas')].every(
            (c) => Chart.getChart(c))""")
        texts = self.browser.run("""
            const texts = [document.documentElement.lang, document.body.innerText];
            for (const e of document.querySelectorAll('[aria-label]')) texts.push(e.ariaLabel);
            for (const e of document.querySelectorAll('svg title, svg desc, svg text'))
              texts.push(e.textContent);
            for (const c of document.querySelectorAll('canvas')) {
              const chart = Chart.getChart(c);
              texts.push(...Object.values(chart.scales).map((s) => s.options.title.text));
              texts.push(...chart.data.datasets.map((s) => s.label));
              texts.push(...chart.scales.x.ticks.map((t) => String(t.label)));
            }
            return texts""")
        self.browser.open(self.page.as_uri())
        self.assertEqual(texts[0], "de")
        # Words that no English sentence does without; the demo's names hold none of them.
        english = re.compile(r"\b(the|of|with|is|are|not|and|to|from|for|that|its|by|rpm|speed|"
                             r"torque|power|drag|run|unknown|interval)\b")
        left = sorted({line for text in texts for line in text.splitlines()
                       if english.search(line.replace("loadline-fit", ""))})
        self.assertEqual(left, [])
        whole = "\n".join(texts)
        speed = [f"{self.best()['handwheel_speed'][key]:,.0f}".replace(",", ".")
                 for key in ("value", "low", "high")]
        self.assertIn("{} ({} bis {}) Stiche je Minute".format(*speed), whole)
        self.assertIn("2.000", whole)  # an axis
        self.assertRegex(whole, r"\b0,\d+ \(0,\d+ bis 0,\d+\) N·m")
        # No number is left that has the English marks.
        self.assertEqual(re.findall(r"\b0\.\d+\b", whole.replace("0.1.0", "")), [])
        self.assertNotIn(f"{self.best()['handwheel_speed']['value']:,.0f}", whole)
        # The cautions still defer to the country's rules and to those who are licensed.
        self.assertIn("nach den elektrotechnischen Vorschriften Ihres Landes", whole)
        self.assertIn("zugelassene Fachkraft", whole)

    def test_german_fits_on_eight_pages_too(self):
        page, _ = self.german()
        self.browser.open(page.as_uri())
        paper = self.demo / "bericht.pdf"
        self.browser.pdf(paper)
        self.browser.open(self.page.as_uri())
        text = subprocess.run(["pdftotext", "-layout", paper, "-"], capture_output=True, text=True,
                              check=True).stdout
        pages = text.rstrip("\f").split("\f")
        self.assertLessEqual(len(pages), MOST_PAGES)
        for page_text in pages:
            self.assertGreater(len(page_text.split()), ALONE, page_text)

    def test_a_report_of_a_machine_alone_chooses_among_all_motors(self):
        page = self.demo / "wren.html"
        subprocess.run([FIT, "report", "--machine", "Wren", "-o", page, "--book",
                        self.demo / "evening.book"], capture_output=True, check=True,
                       env=self.environment)
        self.browser.open(page.as_uri())
        verdict = self.browser.run("return document.querySelector('.verdict').textContent")
        self.browser.open(self.page.as_uri())
        self.assertIn(self.best()["motor"], verdict)

    def test_nothing_is_blank_without_a_reason(self):
        """A line that begins or ends within the frame of a plot over the ratio has its reason."""
        said = self.browser.run("""
            return [...document.querySelectorAll('figure[data-plot^=top-speed-], ' +
              'figure[data-plot^=slow-]')].map((f) => {
                const plot = JSON.parse(document.getElementById('data-plot-' + f.dataset.plot)
                  .textContent);
                return {words: f.querySelector('figcaption').textContent, sets: plot.sets.map(
                  (s) => [s.name, Math.min(...s.x), Math.max(...s.x),
                          s.y.filter((y) => y === 100).length])}; })""")
        self.assertTrue(said)
        for plot in said:
            for name, low, high, stopped in plot["sets"]:
                if low > 2 or high < 14 or stopped > 1:
                    self.assertRegex(plot["words"], re.escape(name) + r": from [\d.]+ to [\d.]+ ")


if __name__ == "__main__":
    unittest.main(argv=sys.argv[:1], verbosity=2)
