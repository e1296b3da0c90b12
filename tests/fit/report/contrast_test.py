"""Contrast of the report's colours, worked out from its style sheet: contrast_test.py REPORT.CSS.

Relative luminance and contrast ratio are those of WCAG 2.2 (W3C Recommendation, "Terms":
relative luminance, contrast ratio). Level AA asks for 4.5 : 1 of text (1.4.3) and 3 : 1 of what
is needed to understand a picture or to see the focus (1.4.11). The formula is checked first by
values that the Recommendation itself gives or that follow from it by hand.
"""

import pathlib
import re
import sys
import unittest

CSS = pathlib.Path(sys.argv[1]).read_text(encoding="utf-8")
TEXT, PICTURE = 4.5, 3.0


def rgb(colour):
    digits = colour.lstrip("#")
    if len(digits) == 3:
        digits = "".join(d * 2 for d in digits)
    return [int(digits[i:i + 2], 16) / 255 for i in (0, 2, 4)]


def luminance(colour):
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a, b):
    light, dark = sorted((luminance(a), luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def over(colour, ground, opacity):
    return [opacity * c + (1 - opacity) * g for c, g in zip(colour, ground)]


def palettes():
    """Every `:root { … }` of the sheet, later ones laid over the first."""
    blocks = [dict(re.findall(r"--([\w-]+):\s*(#[0-9a-fA-F]{3,6})", block))
              for block in re.findall(r":root\s*{([^}]*)}", CSS)]
    return [{**blocks[0], **block} for block in blocks]


def opacity(name):
    rule = re.search(r"^\.%s {[^}]*opacity: ([\d.]+)" % name, CSS, re.M)
    assert rule, name
    return float(rule.group(1))


class Contrast(unittest.TestCase):
    def test_the_formula(self):
        self.assertAlmostEqual(contrast(rgb("#fff"), rgb("#000")), 21, places=9)  # the greatest
        self.assertAlmostEqual(contrast(rgb("#abc"), rgb("#abc")), 1, places=9)
        # Full green carries its coefficient alone: (1.05) / (0.7152 + 0.05).
        self.assertAlmostEqual(contrast(rgb("#fff"), rgb("#0f0")), 1.05 / 0.7652, places=9)

    def test_light_dark_and_paper_are_there(self):
        self.assertEqual(len(palettes()), 3)

    def test_text(self):
        for number, p in enumerate(palettes()):
            for ground in ("paper", "card", "warn"):
                self.assertGreaterEqual(contrast(rgb(p["ink"]), rgb(p[ground])), TEXT, (number, ground))
            for ground in ("paper", "card"):
                self.assertGreaterEqual(contrast(rgb(p["soft"]), rgb(p[ground])), TEXT, (number, ground))
            self.assertGreaterEqual(contrast(rgb(p["c1"]), rgb(p["paper"])), TEXT, "links")

    def test_pictures(self):
        shares = [1, opacity("points"), opacity("few"), opacity("far")]
        for number, p in enumerate(palettes()):
            card = rgb(p["card"])
            for name in ("c1", "c2", "c3", "c4", "c5", "c6"):
                for share in shares:
                    ratio = contrast(over(rgb(p[name]), card, share), card)
                    self.assertGreaterEqual(ratio, PICTURE, f"palette {number} {name} at {share}")
            self.assertGreaterEqual(contrast(rgb(p["soft"]), card), PICTURE, "frame, buttons")
            for ground in ("paper", "warn"):
                self.assertGreaterEqual(contrast(rgb(p["warn-edge"]), rgb(p[ground])), PICTURE)
            self.assertGreaterEqual(contrast(rgb(p["c3"]), rgb(p["paper"])), PICTURE, "focus")


if __name__ == "__main__":
    unittest.main(argv=sys.argv[:1], verbosity=2)
