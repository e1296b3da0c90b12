#!/usr/bin/env python3
"""Slow stitching of motors with a known circuit: do the limits of pedal, drop and stall hold the truth?

Usage: slow.py DB FIT [--motors N] [--seed S]

Each motor follows its circuit: resistance, reactance, iron that saturates, brush drop, friction and fan (the current
solved for at every speed). It is braked against some forty points between a crawl and nearly free, imported as steady
points and fitted; a machine's drag is put into the book with its doubt. `drive` is asked for 60 stitches a minute at
a ratio, and its answer held against the circuit on a lower voltage and with a resistance in series. Nothing of the
project's code is in the truth.
"""
import argparse
import json
import math
import pathlib
import random
import sqlite3
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent))
import made_book  # noqa: E402

RPM = 30 / math.pi
VOLTS = 230.0
SLOW = 60 / RPM
SEAM = 0.015


class Motor:
    def __init__(self, rng):
        self.r, self.x = rng.uniform(90, 150), rng.uniform(100, 220)
        stall = VOLTS / math.hypot(self.r, self.x)
        self.k = rng.uniform(0.31, 0.39) / stall ** 2
        self.saturates = rng.uniform(1.0, 4) * stall
        self.brush = rng.uniform(0, 3)
        self.own = (rng.uniform(0.002, 0.009), rng.uniform(0, 1e-5), rng.uniform(0.8e-8, 2e-8))

    def torque(self, w, volts=VOLTS, series=0.0):
        low, high = 0.0, volts / math.hypot(self.r + series, self.x)
        for _ in range(60):
            amps = (low + high) / 2
            u = amps / self.saturates
            k = self.k / math.sqrt(1 + u * u)
            need = math.hypot((self.r + series + k * w) * amps + self.brush, self.x * amps)
            low, high = (amps, high) if need < volts else (low, amps)
        u = low / self.saturates
        return self.k / math.sqrt(1 + u * u) * low ** 2 - sum(d * w ** n for n, d in enumerate(self.own))

    def free(self):
        return root(lambda w: self.torque(w), 1.0, 4000.0)


def root(f, low, high):
    """Of f that falls from above 0 to below."""
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if f(middle) > 0 else (low, middle)
    return low


def brake_rows(motor, rng):
    free = motor.free()
    lines = ["motor_rpm,torque_nm,motor_rpm_sd,torque_nm_sd"]
    for n in range(40):
        w = free * (0.98 - 0.95 * n / 39)
        torque = motor.torque(w)
        sd = 0.0006
        lines.append(f"{RPM * w * (1 + rng.gauss(0, 5e-4)):.2f},{torque + rng.gauss(0, sd):.6f},{RPM * w * 5e-4:.2f},{sd:.6f}")
    return lines


def one(db, fit, seed):
    rng = random.Random(seed)
    motor = Motor(rng)
    said = (rng.uniform(0.06, 0.12), rng.uniform(8e-4, 1.6e-3), rng.uniform(4e-6, 1.2e-5))
    drag = [c * (1 + rng.gauss(0, 0.01)) for c in said]
    ratio = rng.uniform(5, 8)
    with tempfile.TemporaryDirectory() as folder:
        folder = pathlib.Path(folder)

        def call(program, *words):
            return made_book.call(folder, program, *words)
        call(db, "init")
        call(db, "add", "machine", "K", "--stroke-mm", 30, "--inertia-kgm2", 0.0017)
        call(db, "add", "motor", "M", "--type", "series", "--rated-v", VOLTS, "--rated-hz", 50)
        book = sqlite3.connect(folder / "d.book")
        with book:
            part = book.execute("SELECT id FROM machine").fetchone()[0]
            made_book.put_curve(book, "machine_id", part, "drag", ["c0", "c1", "c2"], said, [0.01 * c for c in said], 170)
        book.close()
        (folder / "rows.csv").write_text("\n".join(brake_rows(motor, rng)) + "\n", encoding="utf-8")
        call(db, "import", "rows.csv", "--kind", "brake", "--motor", "M", "--supply-v", VOLTS, "--yes")
        model = json.loads(call(fit, "motor", "M", "--json"))
        answer = json.loads(call(fit, "drive", "--motor", "M", "--machine", "K", "--ratio", ratio, "--slow-spm", 60,
                                 "--seam-nm", SEAM, "--json"))
    load = lambda w: sum(c * w ** n for n, c in enumerate(drag))
    needed = load(SLOW) / ratio
    volts = root(lambda v: needed - motor.torque(SLOW * ratio, v), 0.0, VOLTS)
    ohms = root(lambda r: motor.torque(SLOW * ratio, VOLTS, r) - needed, 0.0, 1e5)
    truth = {"pedal_voltage": 100 * volts / VOLTS, "pedal_resistance": ohms,
             "voltage_stall_torque": ratio * motor.torque(0, volts) - load(0),
             "resistance_stall_torque": ratio * motor.torque(0, VOLTS, ohms) - load(0)}
    spare = lambda w: ratio * motor.torque(w * ratio, volts) - load(w) - SEAM
    if spare(0.01) > 0:
        truth["voltage_drop"] = 100 * (1 - root(spare, 0.0, SLOW) / SLOW)
    return model["model"], truth, answer


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("db")
    parser.add_argument("fit")
    parser.add_argument("--motors", type=int, default=40)
    parser.add_argument("--seed", type=int, default=51001)
    asked = parser.parse_args()
    db, fit = (str(pathlib.Path(p).resolve()) for p in (asked.db, asked.fit))
    found, others = {}, 0
    for k in range(asked.motors):
        model, truth, answer = one(db, fit, asked.seed + k)
        if model != "series":
            others += 1
            continue
        for key, value in truth.items():
            e = answer.get(key)
            if e and e["value"] is not None and e["low"] is not None:
                found.setdefault(key, []).append((e["low"] <= value <= e["high"], (e["high"] - e["low"]) / 2 / abs(value),
                                                  e["value"] / value - 1, e["low"]))
    print(f"{asked.motors} motors, {others} not taken as series")
    print("| figure | held | median half width | median error | lowest limit |\n| --- | --- | --- | --- | --- |")
    for key, rows in found.items():
        middle = lambda values: sorted(values)[len(rows) // 2]
        print(f"| {key} | {sum(r[0] for r in rows)} of {len(rows)} | {100 * middle([r[1] for r in rows]):.0f} % | "
              f"{100 * middle([r[2] for r in rows]):+.0f} % | {min(r[3] for r in rows):.3g} |")


if __name__ == "__main__":
    main()
