#!/usr/bin/env python3
"""Books that somebody else wrote or altered, read by every verb that reads: damaged_book_test.py DB FIT.

Each verb must end by itself with a status of the contract (0 to 4), and where it fails with a
sentence; never by a signal, as an internal fault, or not at all. First what was found by such
damage and mended, then random damage from a fixed seed (LOADLINE_DAMAGE=500 for more books).
"""
import json
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile

DB, FIT = sys.argv[1:3]
# Far beyond what any of these commands needs, also under a sanitizer on a busy machine.
HANGS_S = 300

READERS = [
    [FIT, "motor", "Heron", "--dry"], [FIT, "drag", "Wren", "--dry", "--json"],
    [FIT, "drive", "--motor", "Heron", "--machine", "Wren", "--ratio", "5", "--json"],
    [FIT, "choose", "--machine", "Wren", "--json"],
    [FIT, "history", "--machine", "Wren", "--json"], [FIT, "history", "--motor", "Heron"],
    [FIT, "belts", "--machine", "Wren"], [FIT, "report", "-o", "page.html"],
    [DB, "list", "--json"], [DB, "list", "runs"], [DB, "list", "curves"], [DB, "show", "run", "1"],
    [DB, "show", "curve", "1", "--json"], [DB, "export", "runs"], [DB, "export", "curves"],
    [DB, "check"],
]

MODELS = {
    "series": ["A", "omega_0", "omega_x", "d0", "d1", "d2"],
    "permanent-magnet": ["stall", "omega_n"],
    "induction": ["breakdown", "slip_b", "omega_s"],
    "smooth": ["spline_1", "spline_2", "spline_3", "spline_4", "spline_5"],
    "drag": ["c0", "c1", "c2"],
    "drag-stribeck": ["c0", "c1", "c2", "rise", "omega_s"],
}
NUMBERS = [0, 1, -1, 1e-3, 0.2, 900, 1e308, -1e308, 1e-320, 1e6, 3, None]
RANGES = [(0, 800), (100, 101), (0, 1e5), (1e-9, 1), (0, 0), (800, 0), (-5, 5), (0, 1e308)]
WORDS = ["null", "[]", "{}", "1", '"x"', "true", "[[[]]]", "[1, 2]", '[{"run": []}, 3]',
         '{"value": 1e308, "low": null, "high": -1, "unit": 7}']
DETAILS = ["stall_torque", "no_load_speed", "peak_power", "c0", "inertia", "warnings", "models",
           "parameters", "budget", "run_findings", "points", "residual_rms", "choice"]
VALUES = ["NULL", "0", "-1", "2", "0.5", "1e9", "1e308", "9e999", "-9e999", "1e-320", "''", "'x'",
          "9223372036854775807", "-9223372036854775808", "'[]'", "'{}'", "'[1]'", "'[[1]]'",
          "'drag'", "'rig'", "'csv'", "'open'", "'brake'", "'driven'", "'top-speed'", "'slip-check'",
          "CAST(x'ff41c3' AS TEXT)", "CAST(x'1b5b324a3c623e' AS TEXT)"]


def curve(number, model, parameters, low=0, high=800):
    size = len(parameters)
    names = (MODELS[model] + [f"more_{k}" for k in range(9)])[:size]
    covariance = [[1e-6 if i == j else 0 for j in range(size)] for i in range(size)]
    return ("UPDATE curve SET model = ?, parameter_names = ?, parameters = ?, covariance = ?, "
            "speed_low_rad_per_s = ?, speed_high_rad_per_s = ? WHERE id = ?",
            (model, json.dumps(names), json.dumps(parameters), json.dumps(covariance), low, high,
             number))


def detail(key, value):
    return ("UPDATE curve SET details_json = json_set(details_json, '$.' || ?, json(?))",
            (key, value))


FOUND = [
    # An equation read parameters behind the end of those that were stored, and never found its root.
    [curve(2, "drag-stribeck", [900, 0.2], 0, 0)],
    [curve(1, "series", [1])],
    # Details of another type than expected were internal faults of the report.
    [detail("residual_rms", "true")],
    [detail("residual_rms", '{"unit": 7}')],
    [detail("budget", '[{"source": "x"}, 3]'), detail("models", '[{"model": "x"}, [], "y"]')],
    [detail("warnings", '"x"'), ("UPDATE curve SET model = 'waltz'", ())],
    [("INSERT INTO document VALUES ('slip-band', json_object((SELECT uuid FROM machine), "
      "json_object('low_rpm', 'x', 'high_rpm', json('[]'))), '')", ())],
    # A damaged curve hid the others.
    [("UPDATE curve SET parameters = '[1' WHERE id = 1", ())],
]


def run(words):
    result = subprocess.run(words, capture_output=True, check=False, timeout=HANGS_S)
    return result.returncode, result.stdout, result.stderr.decode("utf-8", "replace")


def made_book():
    """A motor T = 0.4 N·m (1 − ω/900) against the brake; a machine that coasts down with and without
    0.002 kg·m² more, J dω/dt = −c0, so that speed falls evenly; both fitted."""
    with open("brake.csv", "w", encoding="utf-8") as file:
        file.write("time_s,motor_rpm,torque_nm\n")
        for k in range(300):
            share = abs(1 - k / 150)
            file.write(f"{k * 0.1},{8000 * share + 300},{0.4 * (1 - (8000 * share + 300) / 8594.4)}\n")
    for added in (0, 0.002):
        with open(f"coast{added}.csv", "w", encoding="utf-8") as file:
            file.write("time_s,handwheel_rpm\n")
            for k in range(80):
                file.write(f"{k * 0.05},{900 - 0.1 / (0.004 + added) * 9.5493 * k * 0.05:.4f}\n")
    for words in ([DB, "init"], [DB, "add", "motor", "Heron"], [DB, "add", "machine", "Wren"],
                  [DB, "import", "brake.csv", "--kind", "brake", "--motor", "Heron",
                   "--inertia-kgm2", "5e-5"],
                  [DB, "import", "coast0.csv", "--kind", "coast-down", "--machine", "Wren"],
                  [DB, "import", "coast0.002.csv", "--kind", "coast-down", "--machine", "Wren",
                   "--added-inertia-kgm2", "0.002"],
                  [FIT, "motor", "Heron"], [FIT, "drag", "Wren"]):
        status, _, said = run(words)
        assert status == 0, (words, said)


def random_damage(dice, tables):
    kind = dice.random()
    if kind < 0.35:
        number = dice.choice([1, 2])
        own = ["drag", "drag-stribeck"] if number == 2 else list(MODELS)[:4]
        model = dice.choice(own if dice.random() < 0.7 else list(MODELS))
        size = len(MODELS[model])
        size = size if dice.random() < 0.7 else dice.choice([0, 1, size - 1, size + 1, 9])
        return curve(number, model, [dice.choice(NUMBERS) for _ in range(size)],
                     *dice.choice(RANGES))
    if kind < 0.6:
        return detail(dice.choice(DETAILS), dice.choice(WORDS))
    table = dice.choice(list(tables) + ["curve", "run", "imported", "machine"])
    where = dice.choice(["", "", f" WHERE rowid % {dice.choice([2, 3, 7])} = 0"])
    return f'UPDATE "{table}" SET "{dice.choice(tables[table])}" = {dice.choice(VALUES)}{where}', ()


def damage(statements):
    """Whether the book took any of it."""
    took = 0
    book = sqlite3.connect("bench.book")
    for (trigger,) in book.execute("SELECT name FROM sqlite_schema WHERE type = 'trigger'").fetchall():
        book.execute(f'DROP TRIGGER "{trigger}"')
    book.execute("PRAGMA ignore_check_constraints = ON")
    for sql, values in statements:
        try:
            took += book.execute(sql, values).rowcount
        except sqlite3.Error:
            pass  # a rule of the table's layout, which nobody can get round
    book.commit()
    book.close()
    return took > 0


def fault_of(words):
    try:
        status, out, said = run(words)
    except subprocess.TimeoutExpired:
        return f"does not end within {HANGS_S} s"
    if status not in (0, 1, 2, 3, 4):
        return f"ended with {status}: {said[-2000:]}"
    if "internal fault" in said:
        return said
    return "says nothing" if status and not said.strip() and not out.strip() else ""


def main():
    os.environ.pop("LOADLINE_BOOK", None)
    made_book()
    shutil.copy("bench.book", "sound.book")
    sound = sqlite3.connect("sound.book")
    tables = {name: [row[1] for row in sound.execute(f'PRAGMA table_info("{name}")')]
              for (name,) in sound.execute("SELECT name FROM sqlite_schema WHERE type = 'table' AND "
                                           "name NOT LIKE 'sqlite_%'")}
    sound.close()
    dice = random.Random(7)
    books = [(statements, READERS) for statements in FOUND]
    for _ in range(int(os.environ.get("LOADLINE_DAMAGE", "12"))):
        books.append(([random_damage(dice, tables) for _ in range(dice.choice([1, 1, 2, 3]))],
                      dice.sample(READERS, 5)))
    faults = tried = 0
    for statements, readers in books:
        for rest in ("", "-wal", "-shm"):
            if os.path.exists("bench.book" + rest):
                os.remove("bench.book" + rest)
        shutil.copy("sound.book", "bench.book")
        took = damage(statements)
        assert took or readers is not READERS, statements
        for words in readers if took else []:
            tried += 1
            fault = fault_of(words)
            if fault:
                faults += 1
                print(f"{' '.join(words)} after {statements}: {fault}")
    print(f"{tried} commands on {len(books)} damaged books, {faults} faults")
    return 1 if faults else 0


with tempfile.TemporaryDirectory() as folder:
    os.chdir(folder)
    ended = main()
    os.chdir("/")
sys.exit(ended)
