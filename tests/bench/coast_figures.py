"""A coast-down pair, by its differential equation, against SciPy doing the same."""

import pathlib
import sqlite3

import numpy
import scipy.integrate
import scipy.optimize

from figures import by_rounds, fastest, figure, seconds

INERTIA, ADDED = 0.0031, 0.0021
DRAG = (0.11, 9e-4, 5e-6)


def slowing(inertia, drag):
    return lambda _, w: -(drag[0] + drag[1] * w + drag[2] * w * w) / inertia


def coast(inertia, drag, times, start):
    solved = scipy.integrate.solve_ivp(slowing(inertia, drag), (0, times[-1]), [start],
                                       t_eval=times, rtol=1e-6, atol=1e-6)
    return solved.y[0]


def write_coast(path, inertia, seed):
    """25 readings a second from 1,700 rpm down to a tenth of it, a few per mille of noise."""
    random = numpy.random.default_rng(seed)
    times = numpy.arange(1, 5000) * 0.04
    rpm = coast(inertia, DRAG, times, 178.0) * 30 / numpy.pi
    last = int(numpy.argmax(rpm < 170))
    noisy = rpm[:last] * (1 + random.normal(0, 0.002, last))
    rows = [f"{t:.4f},{r:.3f}" for t, r in zip(times, noisy)]
    path.write_text("time_s,handwheel_rpm\n" + "\n".join(rows) + "\n", encoding="utf-8")


def coast_book(bench):
    book = bench.path("coast.book")
    bench.call("loadline-db", "init", "--book", book)
    bench.call("loadline-db", "add", "machine", "K", "--book", book)
    for seed, added in ((1, 0), (2, ADDED)):
        csv = bench.path(f"coast-{seed}.csv")
        write_coast(csv, INERTIA + added, seed)
        bench.call("loadline-db", "import", csv, "--kind", "coast-down", "--machine", "K",
                   "--added-inertia-kgm2", added, "--book", book)
    return book


def peer_fit(book):
    """J, the three drags and both first speeds, from all readings."""
    runs = []
    with sqlite3.connect(f"file:{book}?mode=ro", uri=True) as connection:
        for run, added in ((1, 0), (2, ADDED)):
            rows = numpy.array(connection.execute(
                "SELECT time_s, handwheel_rpm FROM imported WHERE run_id = ?", [run]).fetchall())
            runs.append((rows[:, 0] - rows[0, 0], rows[:, 1] * numpy.pi / 30, added))

    def residuals(p):
        return numpy.concatenate([
            coast(p[0] * 1e-3 + added, p[1:4] * (0.1, 1e-3, 1e-5), times, start) - speed
            for (times, speed, added), start in zip(runs, p[4:])])

    return scipy.optimize.least_squares(residuals, [2, 1, 1, 1, runs[0][1][0], runs[1][1][0]])


@figure("coast-down-pair/scipy-solve-ivp", at_least=20)
def coast_down_pair(bench):
    """Both in a program that runs already, from reading the book to the answer."""
    book = coast_book(bench)
    return by_rounds(lambda: fastest(lambda: peer_fit(book), 3),
                     lambda: float(bench.call("coast_pair", book, "K")))


CAPTURES = pathlib.Path(__file__).resolve().parents[2] / "sample-runs" / "captures"


def edge_book(bench):
    """The pair of the sample runs, through the recorder: edges of the hand wheel with their times."""
    book = bench.path("edges.book")
    bench.call("loadline-db", "init", "--book", book)
    bench.call("loadline-db", "add", "rig", "Bench", "--book", book)
    bench.call("loadline-db", "add", "machine", "K", "--book", book)
    for capture, added in (("wren-coast-down.raw", 0), ("wren-coast-down-disc.raw", ADDED)):
        bench.call("loadline-logger", "record", "coast-down", "--port", CAPTURES / capture, "--rig",
                   "Bench", "--machine", "K", "--added-inertia-kgm2", added, "--book", book)
    return book


def edges_of(connection, run, ticks_per_second, per_turn):
    """Times in s and angles in rad of the last edge before each sample, each edge once, from where
    the speed falls below 97 % of its highest for good."""
    rows = numpy.array(connection.execute(
        "SELECT tick - handwheel_edge_age_ticks, handwheel_edges FROM sample WHERE run_id = ? AND "
        "handwheel_edge_age_ticks IS NOT NULL ORDER BY id", [run]).fetchall())
    new = numpy.flatnonzero(numpy.diff(rows[:, 1]) > 0) + 1
    times, angles = rows[new, 0] / ticks_per_second, rows[new, 1] * 2 * numpy.pi / per_turn
    speeds = numpy.diff(angles) / numpy.diff(times)
    first = numpy.flatnonzero(speeds > 0.97 * numpy.percentile(speeds, 99))[-1] + 1
    return times[first:] - times[first], angles[first:] - angles[first]


def edge_fit(book):
    """J, the three drags, and of each run first speed and angle, from all edges; marks taken as even,
    one model, no intervals."""
    runs = []
    with sqlite3.connect(f"file:{book}?mode=ro", uri=True) as connection:
        for run, added in ((1, 0), (2, ADDED)):
            ticks, per_turn = connection.execute(
                "SELECT tick_hz, handwheel_pulses_per_turn FROM run WHERE id = ?", [run]).fetchone()
            runs.append((*edges_of(connection, run, ticks, per_turn), added))

    def turned(times, inertia, drag, start, angle):
        def slows(_, state):
            w = max(state[1], 0)  # it stays where it stopped
            return w, -(drag[0] + drag[1] * w + drag[2] * w * w) / inertia if w else 0
        solved = scipy.integrate.solve_ivp(slows, (0, times[-1]), [angle, start], t_eval=times,
                                           rtol=1e-8, atol=1e-8)
        return solved.y[0]

    def residuals(p):
        return numpy.concatenate([
            turned(times, p[0] * 1e-3 + added, p[1:4] * (0.1, 1e-3, 1e-5), *first) - angles
            for (times, angles, added), first in zip(runs, (p[4:6], p[6:8]))])

    guess = [2, 1, 1, 1]
    for times, angles, _ in runs:
        guess += [(angles[9] - angles[0]) / (times[9] - times[0]), 0]
    return scipy.optimize.least_squares(residuals, guess)


@figure("coast-down-pair-of-edges/scipy-edges", at_least=100)
def coast_down_edges(bench):
    """As above, of edge times: ours takes marks' own places and ripple out besides."""
    book = edge_book(bench)
    return by_rounds(lambda: seconds(lambda: edge_fit(book)),
                     lambda: float(bench.call("coast_pair", book, "K")))
