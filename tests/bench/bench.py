"""bench.py BUILD [WORDS…]: see tests/bench.sh."""

import sys
import tempfile

import book_figures  # noqa: F401  (registers its figures)
import choose_figures  # noqa: F401
import coast_figures  # noqa: F401
import drive_figures  # noqa: F401
import fit_figures  # noqa: F401
import large_book_figures  # noqa: F401
import recording_figures  # noqa: F401
import sound_figures  # noqa: F401
from figures import Bench, run_figures

with tempfile.TemporaryDirectory(prefix="loadline-bench-") as folder:
    run_figures(sys.argv[2:], Bench(sys.argv[1], folder))
