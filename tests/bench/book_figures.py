"""The book: starting, importing, size on disk, answers from a large book."""

import random
import sqlite3
import subprocess

from figures import SCALE, by_rounds, fastest, figure, seconds


def write_csv(path, rows):
    """A brake run of 80 readings a second, as a spreadsheet would export it."""
    noise = random.Random(1)
    with open(path, "w", encoding="utf-8") as file:
        file.write("time_s,motor_rpm,torque_nm,supply_v\n")
        for i in range(rows):
            rpm = 1500 + 7500 * abs((i / rows * 2) % 2 - 1)
            omega = rpm * 0.10471975511965977
            torque = 6e4 / ((omega + 300) ** 2 + 450 ** 2) + noise.gauss(0, 0.002)
            file.write(f"{i * 0.0125:.4f},{rpm:.2f},{torque:.6f},230.0\n")


def small_book(bench):
    book = bench.path("small.book")
    if not book.exists():
        csv = bench.path("small.csv")
        write_csv(csv, 1600)
        bench.call("loadline-db", "init", "--book", book)
        bench.call("loadline-db", "add", "motor", "M", "--rated-v", 230, "--book", book)
        bench.call("loadline-db", "import", csv, "--kind", "brake", "--motor", "M",
                   "--inertia-kgm2", 3e-5, "--book", book)
    return book


@figure("start-of-slowest-program/sqlite3", at_most=2)
def start(bench):
    book = small_book(bench)

    def peer():
        return fastest(lambda: subprocess.run(["sqlite3", book, ".tables"], capture_output=True,
                                              check=True), 5)

    def ours():
        return max(fastest(lambda: bench.call("loadline-db", "list", "motors", "--book", book), 5),
                   fastest(lambda: bench.call("loadline-fit", "--version"), 5),
                   fastest(lambda: bench.call("loadline-logger", "--version"), 5))

    return by_rounds(ours, peer)


@figure("import-10-million-rows/sqlite3-import", at_least=1.2)
def import_csv(bench):
    rows = max(10_000, int(10_000_000 * SCALE))
    csv, book, peer_book = bench.path("big.csv"), bench.path("big.book"), bench.path("peer.db")
    write_csv(csv, rows)
    script = f".mode csv\n.import --skip 1 {csv} plain\n"

    def ours():
        for old in bench.folder.glob("big.book*"):
            old.unlink()
        bench.call("loadline-db", "init", "--book", book)
        bench.call("loadline-db", "add", "motor", "M", "--book", book)
        return seconds(lambda: bench.call("loadline-db", "import", csv, "--kind", "brake",
                                          "--motor", "M", "--book", book))

    def peer():
        peer_book.unlink(missing_ok=True)
        with sqlite3.connect(peer_book) as target:
            target.execute("CREATE TABLE plain (time_s REAL, motor_rpm REAL, torque_nm REAL, "
                           "supply_v REAL) STRICT")
        return seconds(lambda: subprocess.run(["sqlite3", peer_book], input=script, text=True,
                                              capture_output=True, check=True))

    ratios = by_rounds(peer, ours, 3)
    for path in (csv, book, peer_book):
        path.unlink()
    return ratios
