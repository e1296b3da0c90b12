"""How well do takes of a sound input give drag, motor curve and top speed?

    /usr/bin/python3 sound_study.py BUILD coast-down --n 20 --seed 1 --card snr_db=20,hum=0.3 --marks count=4

Takes come from takes.py (formulas; needs NumPy and SciPy), go through the programs in BUILD as a
person would use them, and what comes out is held against the formulas. One line as a row of a table:
declined, share of 95 % limits that hold the truth, median error, median half width.
"""
import argparse
import json
import os
import subprocess
import sys
import tempfile

import numpy as np

from takes import (RPM, Card, CoastDown, Marks, RippledCoastDown, SpinUp, Steady, machine_sound, mark_times, take,
                   write_wav)

sys.path.insert(0, os.path.join(os.path.dirname(os.path.abspath(__file__)), "../../firmware-protocol"))
import independent_encoder as wire  # noqa: E402


class Bench:
    def __init__(self, build, folder):
        self.build, self.folder, self.top_rpm = build, folder, None
        self.book = os.path.join(folder, "study.book")
        for name in os.listdir(folder):
            os.remove(os.path.join(folder, name))

    def run(self, program, *words):
        paths = {"loadline-db": "db", "loadline-logger": "logger", "loadline-fit": "fit"}
        path = os.path.join(self.build, paths[program], program)
        return subprocess.run([path, *map(str, words), "--book", self.book, "--json"],
                              capture_output=True, text=True, check=False)

    def record(self, kind, samples, card, marks, *more):
        path = os.path.join(self.folder, "take.wav")
        write_wav(path, [samples], card.rate)
        if card.codec:
            coded = path.replace(".wav", "." + card.codec)
            tool = ["oggenc", "-Q", "-q", "3"] if card.codec == "ogg" else ["flac", "-s", "-f"]
            subprocess.run([*tool, path, "-o", coded], check=True)
            path = coded
        done = self.run("loadline-logger", "record", kind, "--port", path, "--yes", *more,
                        *(["--tone", "--top-rpm", self.top_rpm] if self.top_rpm else
                          ["--pulses", len(marks.at)]))
        return done.returncode == 0


    def record_wire(self, kind, times, last_s, *more):
        """The same passages from a rig of 4 marks: a microsecond's ticks, 100 samples a second."""
        path = os.path.join(self.folder, "rig.capture")
        frames = [b"\0", wire.identity("written from the page", 0x04), wire.status(1, 0, 0)]
        for n in range(int(last_s * 100)):
            tick = 10000 * (n + 1)
            seen = int(np.searchsorted(times, tick / 1e6, side="right"))
            at = int(times[seen - 1] * 1e6) if seen else 0
            frames.append(wire.sample(n, tick, 0x04, wheel=(seen, at)))
        with open(path, "wb") as out:
            out.write(b"".join(frames) + wire.status(0, 10000 * int(last_s * 100), int(last_s * 100)))
        done = self.run("loadline-logger", "record", kind, "--port", path, "--yes", *more)
        return done.returncode == 0


def drag_of_machine(rng):
    while True:
        c0, c1, c2 = (0.09 * rng.uniform(0.7, 1.3), 1.2e-3 * rng.uniform(0.6, 1.4),
                      8e-6 * rng.uniform(0.6, 1.4))
        if 4 * c0 * c2 > 1.05 * c1 * c1:  # the closed form is that of two complex roots
            return c0, c1, c2


def coast_down(bench, rng, card, marks_given, sensor):
    c0, c1, c2 = drag_of_machine(rng)
    inertia, added = card.inertia * rng.uniform(0.8, 1.3), 1.2 * card.inertia
    marks, swing = Marks(rng, **marks_given), None
    bench.run("loadline-db", "init")
    bench.run("loadline-db", "add", "machine", "Anvil")
    bench.run("loadline-db", "add", "rig", "Board", "--arm-mm", 100)
    for extra in (0, added):
        motion = (rng.uniform(900, 1200) * RPM, c0, c1, c2, inertia + extra, 1.0)
        if card.ripple:
            swing = swing or [(card.ripple * c0, phase) for phase in rng.uniform(0, 6.3, 2)]
            course = RippledCoastDown(*motion, *swing)
        else:
            course = CoastDown(*motion)
        more = ["--added-inertia-kgm2", extra] if extra else []
        if sensor == "wire":
            times = mark_times(course, marks, 0.6)
            if not bench.record_wire("coast-down", times, 1.4 + course.length, "--machine", "Anvil", *more):
                return None
            continue
        if sensor == "tone":
            samples = machine_sound(rng, card, course)
            bench.top_rpm = course.start / RPM * rng.uniform(0.85, 1.15)
        else:
            samples = take(rng, course, marks, card, sensor=sensor)
        if not bench.record("coast-down", samples, card, marks, "--machine", "Anvil", *more):
            return None
    done = bench.run("loadline-fit", "drag", "Anvil")
    if done.returncode != 0:
        return None
    found = json.loads(done.stdout)
    return [(name, found[name], truth) for name, truth in
            (("c0", c0), ("c1", c1), ("c2", c2), ("inertia", inertia))]


def spin_up(bench, rng, card, marks_given, sensor):
    stall, no_load = 0.35 * rng.uniform(0.7, 1.3), rng.uniform(5000, 9000) * RPM
    inertia = 3.5e-4 * rng.uniform(0.8, 1.3)
    marks = Marks(rng, **marks_given)
    bench.run("loadline-db", "init")
    bench.run("loadline-db", "add", "motor", "Grey", "--type", "permanent-magnet", "--rated-v", 24)
    tau = inertia * no_load / stall
    course = SpinUp(stall, no_load, inertia, 0.5, 0.5 + 5 * tau)
    samples = take(rng, course, marks, card, after=0.0, sensor=sensor)
    if not bench.record("spin-up", samples, card, marks, "--motor", "Grey", "--inertia-kgm2", inertia,
                        "--supply-v", 24):
        return None
    done = bench.run("loadline-fit", "motor", "Grey", "--model", "permanent-magnet")
    if done.returncode != 0:
        return None
    found = json.loads(done.stdout)
    return [("stall torque", found["stall_torque"], stall),
            ("no-load speed", found["no_load_speed"], no_load / RPM),
            ("peak power", found["peak_power"], stall * no_load / 4)]


def top_speed(bench, rng, card, marks_given, sensor):
    speed = rng.uniform(700, 1500) * RPM
    marks = Marks(rng, **marks_given)
    course = Steady(speed, 12, wander=0.0005)
    bench.run("loadline-db", "init")
    for part in (("machine", "Anvil"), ("belt", "ring")):
        bench.run("loadline-db", "add", *part)
    if sensor == "tone":
        samples = machine_sound(rng, card, course, after=0.0)
        bench.top_rpm = speed / RPM * rng.uniform(0.85, 1.15)
    else:
        samples = take(rng, course, marks, card, after=0.0, sensor=sensor)
    if not bench.record("top-speed", samples, card, marks, "--machine", "Anvil", "--belt", "ring"):
        return None
    # The mean over the edges themselves; comparing belts needs more runs than one.
    import sqlite3
    book = sqlite3.connect(bench.book)
    hz, pulses = book.execute("SELECT tick_hz, handwheel_pulses_per_turn FROM run").fetchone()
    rows = book.execute("SELECT tick - handwheel_edge_age_ticks, handwheel_edges FROM sample WHERE "
                        "handwheel_edge_age_ticks IS NOT NULL ORDER BY id").fetchall()
    rows = [row for row in rows if 1.0 < row[0] / hz < 12.0]
    turns = (rows[-1][1] - rows[0][1]) / pulses
    found = turns / (rows[-1][0] - rows[0][0]) * hz * 60
    first, last = (row / hz - 0.6 for row in (rows[0][0], rows[-1][0]))
    angle = float(course.angle(np.array([last]))[0] - course.angle(np.array([first]))[0])
    return [("top speed", {"value": found, "low": None, "high": None}, angle / (last - first) / RPM)]


def pairs(text):
    return eval(f"dict({text})", {})  # of whoever runs the study, nobody else


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("build")
    parser.add_argument("kind", choices=["coast-down", "spin-up", "top-speed"])
    parser.add_argument("--n", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--card", default="")
    parser.add_argument("--marks", default="count=4")
    parser.add_argument("--sensor", default="spot", choices=["spot", "coil", "tone", "wire"])
    parser.add_argument("--codec", default="", choices=["", "ogg", "flac"])
    parser.add_argument("--each", action="store_true")
    options = parser.parse_args()
    one = {"coast-down": coast_down, "spin-up": spin_up, "top-speed": top_speed}[options.kind]
    rows, declined = {}, 0
    with tempfile.TemporaryDirectory() as folder:
        for i in range(options.n):
            rng = np.random.default_rng(options.seed + i)
            card = Card(**pairs(options.card))
            card.ppm, card.codec = rng.normal(0, 50), options.codec
            found = one(Bench(options.build, folder), rng, card, pairs(options.marks), options.sensor)
            if found is None or any(f is None or f["value"] is None for _, f, _ in found):
                declined += 1
                if options.each:
                    print(options.seed + i, "declined")
                continue
            for name, f, truth in found:
                known = f["low"] is not None
                rows.setdefault(name, []).append(
                    (f["value"] / truth - 1, known and f["low"] <= truth <= f["high"],
                     (f["high"] - f["low"]) / 2 / truth if known else np.nan))
            if options.each:
                print(options.seed + i, " ".join(
                    f"{name} {100 * (f['value'] / truth - 1):+.3f}" +
                    ("" if f["low"] is None else f" ± {50 * (f['high'] - f['low']) / truth:.3f}") + " %" +
                    ("" if f["low"] is None or f["low"] <= truth <= f["high"] else " (missed)")
                    for name, f, truth in found), flush=True)
    if not rows:
        print(f"| {options.kind} {options.sensor} {options.card} {options.marks} | all {declined} declined |")
    for name, values in rows.items():
        error, held, half = (np.array(v, float) for v in zip(*values))
        print(f"| {options.kind} {options.sensor} {options.card} {options.marks} {options.codec} | {name} | "
              f"{len(error)} | {declined} | {100 * held.mean():.0f} % | {100 * np.median(abs(error)):.3f} % | "
              f"{100 * np.sqrt(np.mean(error**2)):.3f} % | {100 * np.median(half):.2f} % |", flush=True)
    return 0 if rows else 1


if __name__ == "__main__":
    sys.exit(main())
