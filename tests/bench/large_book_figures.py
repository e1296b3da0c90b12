"""Answers from a book of 10,000 runs and 100 million samples against one of 10 runs."""

from figures import SCALE, by_rounds, fastest, figure, middle

RUNS = max(100, int(10_000 * SCALE))
QUESTIONS = {
    "list": [("loadline-db", "list"), ("loadline-db", "list", "motors"),
             ("loadline-db", "list", "runs", "--motor", "M")],
    "show": [("loadline-db", "show", "motor", "M"), ("loadline-db", "show", "run", 1)],
    "drive": [("loadline-fit", "drive", "--motor", "M", "--machine", "K", "--ratio", 6)],
}


def books(bench):
    small, large = bench.path("ten-runs.book"), bench.path("many-runs.book")
    if not large.exists():
        bench.call("big_book", small, 10, 10_000)
        bench.call("big_book", large, RUNS, 10_000)
    return small, large


def slowest_ratio(bench, word):
    small, large = books(bench)
    return max((by_rounds(lambda: fastest(lambda: bench.call(*question, "--book", large), 3),
                          lambda: fastest(lambda: bench.call(*question, "--book", small), 3))
                for question in QUESTIONS[word]), key=middle)


@figure("list-in-10000-runs/in-10", at_most=2)
def listing(bench):
    return slowest_ratio(bench, "list")


@figure("show-in-10000-runs/in-10", at_most=2)
def showing(bench):
    return slowest_ratio(bench, "show")


@figure("drive-in-10000-runs/in-10", at_most=2)
def driving(bench):
    value = slowest_ratio(bench, "drive")
    bench.path("many-runs.book").unlink()
    return value
