"""The motor curve from a million samples, against SQLite's own scan of them and against SciPy."""

import sqlite3

import numpy
import scipy.optimize

from book_figures import write_csv
from figures import SCALE, by_rounds, figure, seconds


def motor_book(bench):
    book = bench.path("motor.book")
    if not book.exists():
        csv = bench.path("motor.csv")
        write_csv(csv, max(5_000, int(1_000_000 * SCALE)))
        bench.call("loadline-db", "init", "--book", book)
        bench.call("loadline-db", "add", "motor", "M", "--rated-v", 230, "--book", book)
        bench.call("loadline-db", "import", csv, "--kind", "brake", "--motor", "M",
                   "--inertia-kgm2", 3e-5, "--book", book)
        csv.unlink()
    return book


def ours(bench, book):
    """The whole program: models compared, lag, inertia, drift, noise with memory, intervals."""
    return seconds(lambda: bench.call("loadline-fit", "motor", "M", "--book", book))


@figure("motor-curve-from-a-million/select-scan", at_most=3)
def motor_against_scan(bench):
    book = motor_book(bench)
    return by_rounds(lambda: ours(bench, book),
                     lambda: seconds(lambda: bench.call("bare_scan", book, "imported")), 7)


@figure("motor-curve-from-a-million/scipy-curve-fit", at_least=5)
def motor_against_scipy(bench):
    """The peer's interpreter and imports are not counted, our program's start is."""
    book = motor_book(bench)

    def peer():
        with sqlite3.connect(f"file:{book}?mode=ro", uri=True) as connection:
            rows = numpy.array(
                connection.execute("SELECT motor_rpm, torque_nm FROM imported").fetchall())
        omega, torque = rows[:, 0] * numpy.pi / 30, rows[:, 1]
        scipy.optimize.curve_fit(lambda w, a, b, c: a / ((w + b) ** 2 + c ** 2), omega, torque,
                                 p0=[5e4, 200, 300])

    return by_rounds(lambda: seconds(peer), lambda: ours(bench, book), 7)
