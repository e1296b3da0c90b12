"""How a figure is measured, judged and printed; what every figure of the bench leans on."""

import os
import pathlib
import statistics
import subprocess
import sys
import time

SCALE = float(os.environ.get("LOADLINE_BENCH_SCALE", "1"))
FIGURES = []


def figure(name, at_least=None, at_most=None):
    """Registers a function that returns the value of one figure, or one of each round."""
    def register(function):
        FIGURES.append((name, function, at_least, at_most))
        return function
    return register


def run_figures(words, bench):
    short = 0
    for name, function, at_least, at_most in FIGURES:
        if words and not any(word in name for word in words):
            continue
        target = f">={at_least:g}" if at_least is not None else f"<={at_most:g}"
        try:
            value = function(bench)
        except Exception as error:  # one figure that cannot be had must not hide the others
            print(f"{name} failed {target} short", flush=True)
            print(f"  {error}", file=sys.stderr)
            short += 1
            continue
        verdict, spread = judged(value, at_least, at_most)
        short += verdict == "short"
        print(f"{name} {middle(value):.3g} {target} {verdict}{spread}", flush=True)
    return short


def middle(value):
    return statistics.median(value) if isinstance(value, list) else value


def judged(value, at_least, at_most):
    """By the median; 'noisy' where that falls short while a round of the same run did not."""
    def good(one):
        return one >= at_least if at_least is not None else one <= at_most
    rounds = value if isinstance(value, list) else [value]
    spread = f" {min(rounds):.3g}..{max(rounds):.3g}" if len(rounds) > 1 else ""
    if good(middle(value)):
        return "pass", spread
    return "noisy" if any(map(good, rounds)) else "short", spread


class Bench:
    """The programs under test and a folder to work in."""

    def __init__(self, build, folder):
        self.build = pathlib.Path(build).resolve()
        self.folder = pathlib.Path(folder)

    def program(self, name):
        for place in ("db", "fit", "logger", "firmware-protocol", "bin", "tests/bench"):
            path = self.build / place / name
            if path.exists():
                return str(path)
        raise RuntimeError(f"{name} is not built")

    def call(self, name, *words, quiet=True):
        done = subprocess.run([self.program(name), *map(str, words)], cwd=self.folder, text=True,
                              capture_output=quiet, check=False)
        if done.returncode not in (0, 1):
            raise RuntimeError(f"{name} {' '.join(map(str, words))}: {done.stderr.strip()}")
        return done.stdout

    def path(self, name):
        return self.folder / name


def seconds(action):
    """Wall-clock time of one go."""
    began = time.perf_counter()
    action()
    return time.perf_counter() - began


def fastest(action, times=3):
    """Shortest wall-clock time of several goes, in seconds: the least disturbed one."""
    return min(seconds(action) for _ in range(times))


def by_rounds(over, under, times=5):
    """over()/under() of several rounds. Either is measured in each round, one right after the
    other, so that whatever else the machine does in that minute is in both."""
    return [over() / under() for _ in range(times)]
