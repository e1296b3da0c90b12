#!/usr/bin/env python3
"""A foot control measured at two marks of its pedal: does what is answered between them hold?

Usage: foot_control.py DB FIT [--motors N] [--seed S] [--test]

Each motor is a series motor on alternating current behind a phase-angle control: in every half-wave the switch closes at
an angle, and the current, followed through time from V·sin = R·i + L·di/dt + k(i)·w·i + brush drop with iron that
saturates, flows until it is nought again. At three places of the pedal, whose travel goes with the firing angle by a
bent law, motor and control are braked against some thirty points, imported as motors of their own and fitted; `drive`
is asked how the machine runs at a slow speed in between, and held against the same circuit fired so that it truly runs
at that speed. Nothing of the project's code, nor of its interpolation, is in the truth.
--test judges few and fails where fewer than nine of ten hold, where all lie to one side, or where limits say nothing.
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
VOLTS, HERTZ = 230.0, 50.0
STEPS = 120  # in a half-wave


class Motor:
    def __init__(self, rng):
        self.r, x = rng.uniform(90, 150), rng.uniform(100, 220)
        self.l = x / (2 * math.pi * HERTZ)
        stall = VOLTS / math.hypot(self.r, x)
        self.k = rng.uniform(0.31, 0.39) / stall ** 2
        self.saturates = rng.uniform(1.0, 4) * stall
        self.brush = rng.uniform(0, 3)
        self.own = (rng.uniform(0.002, 0.009), rng.uniform(0, 1e-5), rng.uniform(0.8e-8, 2e-8))
        self.seen = {}

    def torque(self, w, angle):
        """Mean over a half-wave, the switch closing at `angle` (rad); the current begins and ends at nought."""
        key = (round(w, 6), round(angle, 9))
        if key not in self.seen:
            self.seen[key] = self.mean_torque(w, angle) - sum(d * w ** n for n, d in enumerate(self.own))
        return self.seen[key]

    def flux(self, amps):
        u = amps / self.saturates
        return self.k / math.sqrt(1 + u * u)

    def mean_torque(self, w, angle):
        h = (2 * math.pi - angle) / STEPS  # of the mains' angle; it may conduct into the next half-wave
        omega = 2 * math.pi * HERTZ
        peak = VOLTS * math.sqrt(2)

        def slope(phase, amps):
            drop = self.brush * math.tanh(50 * amps)
            return (peak * math.sin(phase) - self.r * amps - self.flux(amps) * w * amps - drop) / (self.l * omega)
        amps, phase, total = 0.0, angle, 0.0
        for _ in range(STEPS):
            a = slope(phase, amps)
            b = slope(phase + h / 2, amps + h / 2 * a)
            c = slope(phase + h / 2, amps + h / 2 * b)
            d = slope(phase + h, amps + h * c)
            after = amps + h / 6 * (a + 2 * b + 2 * c + d)
            if after <= 0 and phase > angle:
                break
            total += h / 2 * (self.flux(amps) * amps ** 2 + self.flux(after) * after ** 2)
            amps, phase = max(after, 0.0), phase + h
        return total / math.pi


def root(f, low, high, rounds=40):
    """Of f that falls from above 0 to below."""
    for _ in range(rounds):
        middle = (low + high) / 2
        low, high = (middle, high) if f(middle) > 0 else (low, middle)
    return (low + high) / 2


def brake_rows(motor, angle, rng):
    free = root(lambda w: motor.torque(w, angle), 0.0, 4000.0)
    lines = ["motor_rpm,torque_nm,motor_rpm_sd,torque_nm_sd"]
    for n in range(30):
        w = free * (0.98 - 0.93 * n / 29)
        sd = 0.0006
        lines.append(f"{RPM * w * (1 + rng.gauss(0, 5e-4)):.3f},{motor.torque(w, angle) + rng.gauss(0, sd):.6f},"
                     f"{RPM * w * 5e-4:.3f},{sd}")
    return lines


class Workshop:
    def __init__(self, db, fit, folder):
        self.db, self.fit, self.folder = db, fit, pathlib.Path(folder)

    def call(self, program, *words):
        return made_book.call(self.folder, program, *words)

    def put_drag(self, said):
        book = sqlite3.connect(self.folder / "d.book")
        with book:
            part = book.execute("SELECT id FROM machine").fetchone()[0]
            made_book.put_curve(book, "machine_id", part, "drag", ["c0", "c1", "c2"], said, [0.01 * c for c in said], 170)
        book.close()


def one(db, fit, seed):
    rng = random.Random(seed)
    motor = Motor(rng)
    said = (rng.uniform(0.06, 0.12), rng.uniform(8e-4, 1.6e-3), rng.uniform(4e-6, 1.2e-5))
    drag = [c * (1 + rng.gauss(0, 0.01)) for c in said]
    ratio = rng.uniform(5, 8)
    slow = rng.uniform(60, 200) / RPM
    seam = rng.uniform(0.01, 0.04)
    bend = rng.uniform(0.6, 1.7)
    load = lambda w: sum(c * w ** n for n, c in enumerate(drag))
    # The pedal from 0 to 10 closes the switch earlier and earlier; found by where the machine runs.
    fired = lambda mark: math.radians(165 - 130 * (mark / 10) ** bend)
    needs = lambda w: root(lambda angle: motor.torque(w * ratio, angle) - load(w) / ratio, 0.0, math.pi)
    mark_of = lambda angle: 10 * max(0.0, (165 - math.degrees(angle)) / 130) ** (1 / bend)
    truth_angle = needs(slow)
    truth_mark = mark_of(truth_angle)
    low, high = mark_of(needs(slow * rng.uniform(0.3, 0.7))), mark_of(needs(slow * rng.uniform(1.6, 4)))
    with tempfile.TemporaryDirectory() as folder:
        shop = Workshop(db, fit, folder)
        shop.call(db, "init")
        shop.call(db, "add", "machine", "K", "--stroke-mm", 30, "--inertia-kgm2", 0.0017)
        shop.call(db, "add", "motor", "M", "--type", "series", "--rated-v", VOLTS, "--rated-hz", HERTZ)
        shop.put_drag(said)
        for name, angle in (("M", 0.0), ("low", fired(low)), ("high", fired(high)), ("higher", fired(high + 1))):
            if name != "M":
                mark = {"low": low, "high": high, "higher": high + 1}[name]
                shop.call(db, "add", "motor", name, "--type", "series", "--rated-v", VOLTS, "--rated-hz", HERTZ,
                          "--pedal-of", "M", "--pedal-mark", mark)
            (shop.folder / "rows.csv").write_text("\n".join(brake_rows(motor, angle, rng)) + "\n", encoding="utf-8")
            shop.call(db, "import", "rows.csv", "--kind", "brake", "--motor", name, "--supply-v", VOLTS, "--yes")
            shop.call(fit, "motor", name, "--json")
        answer = json.loads(shop.call(fit, "drive", "--motor", "M", "--machine", "K", "--ratio", ratio, "--slow-rpm",
                                      slow * RPM, "--seam-nm", seam, "--pedal", "electronic", "--json"))
    truth = {"pedal_mark": truth_mark, "mark_stall_torque": ratio * motor.torque(0.0, truth_angle) - load(0)}
    spare = lambda w: ratio * motor.torque(w * ratio, truth_angle) - load(w) - seam
    if spare(0.01) > 0:
        truth["mark_drop"] = 100 * (1 - root(spare, 0.0, slow) / slow)
    return truth, answer, high - low


def judge(found, test):
    middle = lambda values: sorted(values)[len(values) // 2]
    print("| figure | held | median half width | median error |\n| --- | --- | --- | --- |")
    wrong = []
    for key, rows in sorted(found.items()):
        held = sum(r[0] for r in rows)
        half, off = middle([r[1] for r in rows]), middle([abs(r[2]) for r in rows])
        print(f"| {key} | {held} of {len(rows)} | {half:.3g} | {off:.3g} |")
        if held < 0.9 * len(rows) - 1 or len(rows) < 2:
            wrong.append(f"{key}: held {held} of {len(rows)}")
        aside = middle([r[2] for r in rows])
        if abs(aside) > half / 2:
            wrong.append(f"{key}: off to one side by {aside:.3g}, more than half of its half width")
        if half > {"mark_drop": 25, "mark_stall_torque": 0.05, "pedal_mark": 1.5}[key]:
            wrong.append(f"{key}: the limits are so wide that they say nothing")
    for words in wrong:
        print("not so: " + words)
    return 1 if test and wrong else 0


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("db")
    parser.add_argument("fit")
    parser.add_argument("--motors", type=int, default=30)
    parser.add_argument("--seed", type=int, default=61001)
    parser.add_argument("--test", action="store_true")
    asked = parser.parse_args()
    db, fit = (str(pathlib.Path(p).resolve()) for p in (asked.db, asked.fit))
    found, unknown = {}, 0
    for k in range(asked.motors):
        truth, answer, apart = one(db, fit, asked.seed + k)
        for key, value in truth.items():
            e = answer.get(key)
            if not e or e["value"] is None or e["low"] is None:
                unknown += 1
                print(f"motor {k}: {key} not answered: {answer['warnings']}")
                continue
            found.setdefault(key, []).append((e["low"] <= value <= e["high"], (e["high"] - e["low"]) / 2,
                                              e["value"] - value))
            if not e["low"] <= value <= e["high"]:
                print(f"motor {k}: {key} {value:.4g}, said {e['value']:.4g} ({e['low']:.4g} to {e['high']:.4g}), "
                      f"marks {apart:.2g} apart")
    print(f"{asked.motors} motors, {unknown} figures not answered")
    return judge(found, asked.test)


if __name__ == "__main__":
    sys.exit(main())
