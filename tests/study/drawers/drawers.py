#!/usr/bin/env python3
"""Drawers with a known truth, measured, entered and chosen from: how often is the choice right?

Usage: drawers.py DB FIT [--drawers N] [--seed S] [--jobs N] [--curves [--truths N] | --minutes | --zoo] [--test]
                  [--svg FILE]

Each drawer has three motors, three motor pulleys, a hand wheel, two belts and a machine, made by chance.
Its runs are made from the equations below and imported through the project's own programs, fitted, and
`choose` is asked with aims drawn near what is possible. Every candidate's chance is held against whether it
truly meets the aims; of the choice itself, whether it truly is right (meets the aims, and nothing that does
is faster by more than 1 %). Nothing of the project's code is in the making of the runs: a series motor by its
circuit with saturation and brush drop solved for the current at each speed, steady points typed by hand, a
run-down in steps of a millisecond seen by a disc of twenty slots, belts whose loss and slip change with the
pulley. With --curves nothing is measured: curves with their covariance are put into the book and the truth is
drawn from them, so that what is judged is the choice alone and not the limits of the fits; --truths draws so
many of them for each book, whose aims are then drawn near what the book says instead of near one truth. With --minutes the
bench goes on: from one run of each part it records what `choose` proposes first until that is settled, and the
minutes (as `choose` counts them) and the choice are held against those of a fixed plan of two brake runs a
motor and three top speeds a belt. With --zoo motors, machine and the rows of their runs are benches of ../zoo,
each with an instrument of its own. --test runs a few and fails where the chances say nothing.
"""
import argparse
import concurrent.futures
import functools
import json
import math
import pathlib
import random
import sqlite3
import sys
import tempfile

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parents[1] / "zoo"))
import zoo  # noqa: E402

sys.path.insert(0, str(pathlib.Path(__file__).resolve().parent.parent))
import made_book  # noqa: E402

RPM = 30 / math.pi
VOLTS = 230.0
HALF_STROKE = 0.015
WORTH = 0.01


class Motor:
    """V = |(R + K(I)·ω)·I + brush drop + jXI|, K(I) = k·tanh(I/Is)/(I/Is), torque K·I² less friction and fan."""

    kind = "series"

    def __init__(self, rng):
        self.r, self.x = rng.uniform(90, 150), rng.uniform(150, 240)
        stall_current = VOLTS / math.hypot(self.r, self.x)
        self.k = rng.uniform(0.31, 0.39) / stall_current ** 2
        self.saturates = rng.uniform(1.5, 4) * stall_current
        self.brush = rng.uniform(0, 3)
        self.own = (rng.uniform(0.002, 0.008), rng.uniform(0, 1e-5), rng.uniform(0.8e-8, 2e-8))

    def torque(self, speed):
        low, high = 0.0, VOLTS / math.hypot(self.r, self.x)
        for _ in range(50):
            current = (low + high) / 2
            u = current / self.saturates
            constant = self.k * (math.tanh(u) / u if u > 1e-9 else 1)
            volts = math.hypot((self.r + constant * speed) * current + self.brush, self.x * current)
            low, high = (current, high) if volts < VOLTS else (low, current)
        return constant * current ** 2 - sum(d * speed ** n for n, d in enumerate(self.own))

    def free(self):
        low, high = 1.0, 4000.0
        for _ in range(50):
            middle = (low + high) / 2
            low, high = (middle, high) if self.torque(middle) > 0 else (low, middle)
        return low


class Equation:
    """A curve of the book as it may truly be: its parameters with a relative standard uncertainty each."""

    def __init__(self, model, names, values, relative, rng):
        self.model, self.names, self.values = model, names, values
        self.sd = [abs(v) * r for v, r in zip(values, relative)]
        self.draw(rng)

    def draw(self, rng):
        self.true = [v + s * rng.gauss(0, 1) for v, s in zip(self.values, self.sd)]

    def torque(self, speed):
        a, w0, wx, *own = self.true
        return a / ((speed + w0) ** 2 + wx ** 2) - sum(d * speed ** n for n, d in enumerate(own))

    free = Motor.free

    def drag(self, speed):
        return sum(c * speed ** n for n, c in enumerate(self.true))

    def put(self, book, column, part, high, supply):
        made_book.put_curve(book, column, part, self.model, self.names, self.values, self.sd, high, supply)


class NoBelt:
    def on(self, mm):
        return 0.0, 0.0


class Machine:
    def __init__(self, rng):
        self.c = (rng.uniform(0.06, 0.12), rng.uniform(8e-4, 1.6e-3), rng.uniform(4e-6, 1.2e-5))
        self.inertia = rng.uniform(1.2e-3, 2.2e-3)

    def drag(self, speed):
        return self.c[0] + speed * (self.c[1] + speed * self.c[2])


class Belt:
    """What it wastes on a motor pulley of 20 mm; on others as 1/d to the power `bends`, slip to twice that."""

    def __init__(self, rng):
        self.loss, self.slip = rng.uniform(0.002, 0.008), rng.uniform(0.004, 0.016)
        self.bends = rng.uniform(0, 1)

    def on(self, mm):
        small = (20 / mm) ** self.bends
        return self.loss * small, self.slip * small ** 2


def settle(motor, machine, belt, small, large):
    """Motor and hand-wheel speed in rad/s, and the force at the needle, of one candidate."""
    ratio = large / small
    loss, slip = belt.on(small)
    spare = lambda w: ratio * (motor.torque(w) - loss) - machine.drag(w * (1 - slip) / ratio)
    low, high = 0.0, motor.free()
    for _ in range(45):
        middle = (low + high) / 2
        low, high = (middle, high) if spare(middle) > 0 else (low, middle)
    return low, low * (1 - slip) / ratio, (ratio * (motor.torque(0.0) - loss) - machine.drag(0.0)) / HALF_STROKE


def brake_rows(motor, rng):
    """Fifteen points typed from a notebook, from nearly free down to slow."""
    free = motor.free()
    lines = ["motor_rpm,torque_nm,motor_rpm_sd,torque_nm_sd"]
    for n in range(15):
        speed = free * (0.97 - 0.90 * n / 14)
        torque = motor.torque(speed)
        sd = math.hypot(0.006 * torque, 0.0006)
        lines.append(f"{RPM * speed * (1 + rng.gauss(0, 0.001)):.1f},{torque + rng.gauss(0, sd):.5f},"
                     f"{RPM * speed * 0.001:.1f},{sd:.5f}")
    return lines


def coast_rows(machine, added, rng):
    """A run-down from some 1,500 rpm by a disc of twenty slots, fifty rows a second (reciprocal counting)."""
    inertia, step, slots = machine.inertia + added, 1e-3, 20
    slope = lambda w: -machine.drag(w) / inertia
    w, angle, t, edges, wanted = 160 + rng.uniform(-10, 10), 0.0, 0.0, [], rng.random()
    while w > 4:
        k1 = slope(w)
        k2 = slope(w + step * k1 / 2)
        turned = step * (w + step * k1 / 2)
        while wanted * 2 * math.pi / slots < angle + turned:
            edges.append(t + step * (wanted * 2 * math.pi / slots - angle) / turned + rng.gauss(0, 2e-6))
            wanted += 1
        angle, t, w = angle + turned, t + step, w + step * k2
    lines, row, last, i = ["time_s,handwheel_rpm"], 0.1, None, -1
    while row < t:
        while i + 1 < len(edges) and edges[i + 1] <= row:
            i += 1
        if last is not None and i > last:
            lines.append(f"{row:.3f},{60 * (i - last) / slots / (edges[i] - edges[last]):.3f}")
        last = i if i >= 0 else None
        row += 0.02
    return lines


def top_speed_rows(motor, machine, belt, small, large, rng):
    """Three readings of two hand tachometers, a run's own departure in both."""
    w, wheel, _ = settle(motor, machine, belt, small, large)
    run = 1 + rng.gauss(0, 0.0015)
    lines = ["motor_rpm,handwheel_rpm"]
    for _ in range(3):
        lines.append(f"{RPM * w * run * (1 + rng.gauss(0, 2e-4)):.1f},"
                     f"{RPM * wheel * run * (1 + rng.gauss(0, 2e-4)):.2f}")
    return lines


class Workshop:
    """The programs on one book."""

    def __init__(self, db, fit, folder):
        self.db, self.fit, self.folder = db, fit, pathlib.Path(folder)
        self.call(self.db, "init")

    def call(self, program, *words, good=(0,)):
        return made_book.call(self.folder, program, *words, good=good)

    def take(self, kind, rows, *words):
        file = self.folder / "rows.csv"
        file.write_text("\n".join(rows) + "\n", encoding="utf-8")
        self.call(self.db, "import", file, "--kind", kind, *words, "--yes")


def aims_near(truth, rng):
    """What a restorer might ask of this drawer: near the edge of what is possible."""
    speeds = sorted(RPM * t[1] for t in truth.values())
    motors = sorted(RPM * t[0] for t in truth.values())
    forces = sorted(t[2] for t in truth.values())
    aims = {}
    if rng.random() < 0.7:
        aims["least-rpm"] = rng.choice(speeds) * rng.uniform(0.97, 1.02)
    if rng.random() < 0.6:
        aims["most-motor-rpm"] = rng.choice(motors) * rng.uniform(0.98, 1.03)
    if rng.random() < 0.5:
        aims["least-needle-n"] = rng.choice(forces) * rng.uniform(0.96, 1.02)
    return aims


def meets(aims, motor_rpm, wheel_rpm, force):
    return (wheel_rpm >= aims.get("least-rpm", 0) and motor_rpm <= aims.get("most-motor-rpm", 1e9)
            and force >= aims.get("least-needle-n", 0))


class Bench:
    """One drawer with its truth, its book, and how its runs are recorded."""

    def __init__(self, db, fit, folder, seed):
        self.rng = rng = random.Random(seed)
        self.make_parts(rng)
        self.belts = {f"belt {k}": Belt(rng) for k in "12"}
        self.pulleys = {f"P{mm}": mm * rng.uniform(0.99, 1.01) for mm in (15, 18, 22)}
        self.hand *= rng.uniform(0.99, 1.01)
        self.truth = {(m, p, b): settle(self.motors[m], self.machine, self.belts[b], self.pulleys[p], self.hand)
                      for m in self.motors for p in self.pulleys for b in self.belts}
        self.aims = aims_near(self.truth, rng)
        self.db, self.fit, self.shop = db, fit, Workshop(db, fit, folder)
        call = self.shop.call
        call(db, "add", "machine", "K", "--stroke-mm", 2000 * HALF_STROKE)
        for name, mm in [*self.pulleys.items(), ("H", self.hand)]:
            call(db, "add", "pulley", name, "--role", "hand" if name == "H" else "motor",
                 "--pitch-mm", f"{mm * (1 + rng.gauss(0, 0.002)):.4f}")
        for name in self.belts:
            call(db, "add", "belt", name)
        for name in self.motors:
            call(db, "add", "motor", name, "--type", self.motors[name].kind, "--rated-v", VOLTS, "--rated-hz", 50)

    def make_parts(self, rng):
        self.motors = {f"motor {k}": Motor(rng) for k in "ABC"}
        self.machine = Machine(rng)
        self.hand = 110

    def brake(self, name):
        self.shop.take("brake", brake_rows(self.motors[name], self.rng), "--motor", name, "--supply-v", VOLTS)
        self.shop.call(self.fit, "motor", name, good=(0, 1))

    def coast_down(self):
        self.shop.take("coast-down", coast_rows(self.machine, 0, self.rng), "--machine", "K")
        self.shop.take("coast-down", coast_rows(self.machine, 0.0021, self.rng), "--machine", "K",
                       "--added-inertia-kgm2", 0.0021)
        self.shop.call(self.fit, "drag", "K", good=(0, 1))

    def top_speed(self, motor, pulley, belt):
        rows = top_speed_rows(self.motors[motor], self.machine, self.belts[belt], self.pulleys[pulley], self.hand,
                              self.rng)
        self.shop.take("top-speed", rows, "--machine", "K", "--motor", motor, "--motor-pulley", pulley,
                       "--hand-pulley", "H", "--supply-v", VOLTS, "--belt", belt)

    def record(self, run):
        """What `choose` proposes."""
        if run["kind"] == "brake":
            self.brake(run["motor"])
        elif run["kind"] == "top-speed":
            self.top_speed(run["motor"], run["motor_pulley"], run["belt"])
        else:
            self.coast_down()

    def choose(self):
        words = [w for name, value in self.aims.items() for w in (f"--{name}", f"{value:.4f}")]
        return json.loads(self.shop.call(self.fit, "choose", "--machine", "K", *words, "--json", good=(0, 1)))


class ZooMotor:
    """A motor of the zoo with the rows of a brake run that its bench made."""

    def __init__(self, rng):
        self.motor, rows, *_ = zoo.bench_brake(rng)
        self.torque = self.motor.T
        self.kind = "permanent-magnet" if self.motor.kind == "magnet" else "series"
        self.rows = ["time_s,motor_rpm,torque_nm"] + [",".join(f"{x:.7g}" for x in row) for row in rows]

    def free(self):
        return self.motor.n0


class ZooMachine:
    """A machine of the zoo with the rows of its two run-downs."""

    def __init__(self, rng):
        truth, self.runs, _, _, about = zoo.bench_coast(rng)
        self.drag, self.top = about["drag"], about["w0"] / RPM


class ZooBench(Bench):
    """Belts and hand tachometers are as ever, which the zoo has not."""

    def make_parts(self, rng):
        self.motors = {f"motor {k}": ZooMotor(rng) for k in "ABC"}
        self.machine = ZooMachine(rng)
        # The zoo's machines know nothing of its motors: the hand wheel that brings them together.
        low, high = 20.0, 2000.0
        for _ in range(40):
            self.hand = math.sqrt(low * high)
            speeds = sorted(settle(motor, self.machine, NoBelt(), 18, self.hand)[1] for motor in self.motors.values())
            low, high = (self.hand, high) if speeds[1] > 0.9 * self.machine.top else (low, self.hand)

    def brake(self, name):
        motor = self.motors[name]
        self.shop.take("brake", motor.rows, "--motor", name, "--supply-v", VOLTS, "--inertia-kgm2", motor.motor.J)
        self.shop.call(self.fit, "motor", name, good=(0, 1))

    def coast_down(self):
        for rows, added in self.machine.runs:
            self.shop.take("coast-down", ["time_s,handwheel_rpm"] + [f"{t:.7g},{v:.7g}" for t, v in rows], "--machine",
                           "K", *(["--added-inertia-kgm2", added] if added else []))
        self.shop.call(self.fit, "drag", "K", good=(0, 1))


def zoo_drawer(db, fit, seed):
    return one_drawer(db, fit, seed, ZooBench)


def judged_drawer(make, db, fit, seed):
    """What came of one drawer, of each of its truths where it has several."""
    aims, truths, answer = make(db, fit, seed)
    return [{"book": seed, **judged(aims, truth, answer)}
            for truth in (truths if isinstance(truths, list) else [truths])]


def one_drawer(db, fit, seed, make=Bench):
    with tempfile.TemporaryDirectory() as folder:
        bench = make(db, fit, folder, seed)
        for name in bench.motors:
            bench.brake(name)
        bench.coast_down()
        for _ in range(3):
            for name in bench.belts:
                bench.top_speed("motor A", "P18", name)
        return bench.aims, bench.truth, bench.choose()


FIXED_MINUTES = 3 * 2 * 8 + 10 + 2 * 3 * 6
FIRST_MINUTES = 3 * 8 + 10 + 2 * 6


def by_proposals(db, fit, seed, patience=8):
    """Minutes, steps as (settles said, settled then), and what is known at the end."""
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(db, fit, folder, seed)
        for name in bench.motors:
            bench.brake(name)
        bench.coast_down()
        for name in bench.belts:
            bench.top_speed("motor A", "P18", name)
        minutes, steps = FIRST_MINUTES, []
        answer = bench.choose()
        while answer["next"] and not answer["enough"] and len(steps) < patience:
            run = answer["next"][0]
            bench.record(run)
            minutes += run["minutes"]
            answer = bench.choose()
            steps.append((run["kind"], run["settles"], answer["settled"]))
        return minutes, steps, judged(bench.aims, bench.truth, answer)


def by_plan(db, fit, seed):
    with tempfile.TemporaryDirectory() as folder:
        bench = Bench(db, fit, folder, seed)
        for name in [*bench.motors, *bench.motors]:
            bench.brake(name)
        bench.coast_down()
        for _ in range(3):
            for name in bench.belts:
                bench.top_speed("motor A", "P18", name)
        return judged(bench.aims, bench.truth, bench.choose())


def each_of(ask, seeds, jobs):
    """`ask` of every seed, `jobs` at a time, in order; a refusal of the programs is an answer, too."""
    with concurrent.futures.ThreadPoolExecutor(jobs) if jobs == 1 else \
            concurrent.futures.ProcessPoolExecutor(jobs) as pool:
        for seed, answer in [(seed, pool.submit(ask, seed)) for seed in seeds]:
            try:
                yield seed, answer.result()
            except RuntimeError as error:
                yield seed, error


def both_ways(db, fit, seed):
    return by_proposals(db, fit, seed), by_plan(db, fit, seed)


def tell_minutes(answers):
    """Of what both_ways() found of each drawer."""
    proposed, planned = zip(*answers)
    drawers = len(planned)
    can = [k for k, plan in enumerate(planned) if plan["possible"]]
    minutes = sorted(proposed[k][0] for k in can)
    print(f"drawers {drawers}, in {len(can)} something will do; fixed plan {FIXED_MINUTES} min, first runs "
          f"{FIRST_MINUTES} min")
    print(f"minutes by proposals: median {minutes[len(minutes) // 2]}, mean {sum(minutes) / len(minutes):.0f}, nine "
          f"tenths within {minutes[int(0.9 * len(minutes))]}")
    for words, judgements in (("proposals", [proposed[k][2] for k in can]), ("plan", [planned[k] for k in can])):
        print(f"{words}: first meets in {share(j['first'][2] for j in judgements)}, is right in "
              f"{share(j['first'][3] for j in judgements)}; settled {share(j['settled'] for j in judgements)}, right of "
              f"these {share(j['first'][3] for j in judgements if j['settled'])}")
    steps = [step for p in proposed for step in p[1]]
    for kind in sorted({step[0] for step in steps}):
        said = [step[1] for step in steps if step[0] == kind]
        print(f"proposed {kind}: {len(said)} times, said to settle {mean(said)}, did "
              f"{share(step[2] for step in steps if step[0] == kind)}")


def truth_of_curves(motors, machine, said, true):
    return {(m, p, None): settle(motors[m], machine, NoBelt(), true[p], true["H"])
            for m in motors for p in said if p != "H"}


def drawer_of_curves(db, fit, seed, truths=0):
    """As one_drawer, without belts, the truth drawn from what the book says; with `truths` a list of them."""
    rng = random.Random(seed)
    motors = {}
    for k in "ABC":
        stall, w0, wx = rng.uniform(0.30, 0.36), rng.uniform(200, 350), rng.uniform(150, 300)
        values = [stall * (w0 ** 2 + wx ** 2), w0, wx, 0.004, 5e-6, rng.uniform(0.8e-8, 1.6e-8)]
        motors[f"motor {k}"] = Equation("series", ["A", "omega_0", "omega_x", "d0", "d1", "d2"], values,
                                        [0.01, 0.007, 0.007, 0.05, 0.05, 0.03], rng)
    machine = Equation("drag", ["c0", "c1", "c2"], [rng.uniform(0.06, 0.12), rng.uniform(8e-4, 1.6e-3),
                                                    rng.uniform(4e-6, 1.2e-5)], [0.02, 0.02, 0.02], rng)
    said = {f"P{mm}": mm * rng.uniform(0.99, 1.01) for mm in (15, 18, 22)} | {"H": 110 * rng.uniform(0.99, 1.01)}
    draw_pulleys = lambda: {name: mm * (1 + rng.gauss(0, 0.002)) for name, mm in said.items()}
    truth = truth_of_curves(motors, machine, said, draw_pulleys())
    if truths:  # the aims must tell nothing of the truth that the book does not
        truth = []
        for part in [*motors.values(), machine]:
            part.true = part.values
        aims = aims_near(truth_of_curves(motors, machine, said, said), rng)
        for _ in range(truths):
            for part in [*motors.values(), machine]:
                part.draw(rng)
            truth.append(truth_of_curves(motors, machine, said, draw_pulleys()))
    else:
        aims = aims_near(truth, rng)
    with tempfile.TemporaryDirectory() as folder:
        shop = Workshop(db, fit, folder)
        shop.call(db, "add", "machine", "K", "--stroke-mm", 2000 * HALF_STROKE)
        for name, mm in said.items():
            shop.call(db, "add", "pulley", name, "--role", "hand" if name == "H" else "motor", "--pitch-mm", repr(mm))
        for name in motors:
            shop.call(db, "add", "motor", name)
        book = sqlite3.connect(pathlib.Path(folder) / "d.book")
        with book:
            for name, motor in motors.items():
                part = book.execute("SELECT id FROM motor WHERE name = ?", (name,)).fetchone()[0]
                motor.put(book, "motor_id", part, 1450, VOLTS)
            machine.put(book, "machine_id", book.execute("SELECT id FROM machine").fetchone()[0], 170, None)
        book.close()
        words = [w for name, value in aims.items() for w in (f"--{name}", f"{value:.4f}")]
        answer = json.loads(shop.call(fit, "choose", "--machine", "K", *words, "--json", good=(0, 1)))
    return aims, truth, answer


def judged(aims, truth, answer):
    """What came of one drawer."""
    met = {key: meets(aims, RPM * t[0], RPM * t[1], t[2]) for key, t in truth.items()}
    best = max((truth[key][1] for key in met if met[key]), default=0)
    right = {key: met[key] and truth[key][1] >= (1 - WORTH) * best for key in met}
    key = lambda c: (c["motor"], c["motor_pulley"], c["belt"])
    choices = answer["choices"]
    value = lambda c, name: c[name]["value"] if c[name]["value"] is not None else 0.0
    fit = [c for c in choices if meets(aims, value(c, "motor_speed"), value(c, "handwheel_speed"),
                                       value(c, "needle_force"))]
    plain = max(fit, key=lambda c: value(c, "handwheel_speed"), default=None)
    inside = [c["handwheel_speed"]["low"] <= RPM * truth[key(c)][1] <= c["handwheel_speed"]["high"]
              for c in choices if c["handwheel_speed"]["low"] is not None]
    first = choices[0] if choices else None
    return {
        "pairs": [(c["chance"], met[key(c)]) for c in choices],
        "rights": [(c["right"], right[key(c)]) for c in choices if c["right"] > 0],
        "held": (sum(inside), len(inside)),
        "settled": bool(answer["settled"]),
        "possible": best > 0,
        "nothing": answer["nothing_will_do"] >= 0.95,
        "first": first and (first["chance"], first["right"], met[key(first)], right[key(first)]),
        "plain": plain and (met[key(plain)], right[key(plain)]),
        "next": answer["next"][:1],
        "strange": [strange(c, aims, truth[key(c)]) for c in choices
                    if (c["chance"] >= 0.95 and not met[key(c)]) or (c["chance"] <= 0.05 and met[key(c)])],
    }


def strange(choice, aims, true):
    """A chance that came out as it hardly could, with what it was made of: for a look at its cause."""
    words = [f"{choice['motor']} {choice['motor_pulley']} {choice['belt']}: {choice['chance']:.3f}"]
    for name, aim, is_true in (("handwheel_speed", "least-rpm", RPM * true[1]), ("motor_speed", "most-motor-rpm",
                               RPM * true[0]), ("needle_force", "least-needle-n", true[2])):
        if aim in aims:
            limits = [choice[name][k] for k in ("low", "value", "high")]
            words.append(f"{aim} {aims[aim]:.5g}, said " + " ".join("-" if x is None else f"{x:.5g}" for x in limits)
                         + f", true {is_true:.5g}")
    return "; ".join(words)


def brier(pairs, bins=10):
    """Score and its parts (Murphy 1973, from memory): reliability − resolution + uncertainty."""
    n = len(pairs)
    rate = sum(o for _, o in pairs) / n
    groups = [[] for _ in range(bins)]
    for p, o in pairs:
        groups[min(bins - 1, int(p * bins))].append((p, o))
    reliability = resolution = 0.0
    rows = []
    for k, group in enumerate(groups):
        if not group:
            continue
        p = sum(q for q, _ in group) / len(group)
        o = sum(q for _, q in group) / len(group)
        reliability += len(group) * (p - o) ** 2 / n
        resolution += len(group) * (o - rate) ** 2 / n
        rows.append((k / bins, (k + 1) / bins, len(group), p, o))
    score = sum((p - o) ** 2 for p, o in pairs) / n
    return score, reliability, resolution, rate * (1 - rate), rows


def wilson(met, n):
    """95 % limits of a share (Wilson 1927, from memory)."""
    z = 1.959964
    middle, half = met / n + z * z / (2 * n), z * math.sqrt(met / n * (1 - met / n) / n + z * z / (4 * n * n))
    return (middle - half) / (1 + z * z / n), (middle + half) / (1 + z * z / n)


def reliability_svg(pairs, words):
    """Share that met over the chance said, by tenths, with its 95 % limits; on the diagonal it is what was said."""
    score, reliability, resolution, uncertainty, rows = brier(pairs)
    x, y = (lambda p: 70 + 400 * p), (lambda p: 420 - 400 * p)
    said = (f"Brier score {score:.4f}: reliability {reliability:.4f}, resolution {resolution:.4f}, "
            f"uncertainty {uncertainty:.4f}")
    out = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 520 500" role="img"><title>{words}</title>'
           f'<desc>{said}</desc><style>svg{{background:#fff;font:12px sans-serif}}text{{fill:#1d2326}}'
           '.grid{stroke:#d8dcdc}.said{stroke:#55606a;stroke-dasharray:6 4}.limits{stroke:#0a6a74;stroke-width:2}'
           'circle{fill:#0a6a74}</style>']
    for k in range(0, 11, 2):
        out.append(f'<path class="grid" d="M{x(k / 10)} {y(0)}V{y(1)}M{x(0)} {y(k / 10)}H{x(1)}"/>'
                   f'<text x="{x(k / 10)}" y="{y(0) + 18}" text-anchor="middle">{k / 10}</text>'
                   f'<text x="{x(0) - 8}" y="{y(k / 10) + 4}" text-anchor="end">{k / 10}</text>')
    out.append(f'<path class="said" d="M{x(0)} {y(0)}L{x(1)} {y(1)}"/>')
    for _, _, n, p, met in rows:
        low, high = wilson(met * n, n)
        out.append(f'<path class="limits" d="M{x(p):.1f} {y(low):.1f}V{y(high):.1f}"/><circle cx="{x(p):.1f}" '
                   f'cy="{y(met):.1f}" r="4"/><text x="{min(x(p) + 7, 478):.1f}" y="{y(met) + 4:.1f}">{n}</text>')
    out.append(f'<text x="270" y="458" text-anchor="middle">chance said; beside each mark the candidates</text>'
               f'<text transform="translate(18 220) rotate(-90)" text-anchor="middle">share that met, 95 %</text>'
               f'<text x="14" y="484" font-size="11">{said}</text></svg>\n')
    return "\n".join(out)


def share(part):
    part = list(part)
    return f"{sum(part)} of {len(part)}" + (f" ({100 * sum(part) / len(part):.1f} %)" if part else "")


def tell(results, declined):
    pairs = [p for r in results for p in r["pairs"]]
    score, reliability, resolution, uncertainty, rows = brier(pairs)
    held, of = (sum(r["held"][k] for r in results) for k in (0, 1))
    print(f"drawers {len(results)}, declined {declined}, candidates {len(pairs)}")
    print(f"top speeds held by their 95 % limits: {100 * held / of:.1f} %")
    print(f"Brier score {score:.4f} = reliability {reliability:.4f} - resolution {resolution:.4f} + uncertainty "
          f"{uncertainty:.4f} (and what is left within bins)")
    print("| chance said | candidates | mean said | met |\n| --- | --- | --- | --- |")
    for low, high, n, p, o in rows:
        print(f"| {low:.1f} to {high:.1f} | {n} | {p:.3f} | {o:.3f} |")
    sure = [o for p, o in pairs if p >= 0.95]
    never = [not o for p, o in pairs if p <= 0.05]
    print(f"of the candidates said to meet with 95 % or more: {share(sure)} do")
    print(f"of those said to with 5 % or less: {share(never)} do not")
    print(f"settled drawers: {share(r['settled'] for r in results)}; their first is right in "
          f"{share(r['first'][3] for r in results if r['settled'])}")
    firsts = [r["first"][1] for r in results if r["settled"]]
    if firsts:  # settled is 95 % or more, so that more than 95 % must be right: the mean of what was said
        print(f"they were said to be right with {sum(firsts) / len(firsts):.3f} in the mean: "
              f"{sum(firsts):.1f} ± {math.sqrt(sum(p * (1 - p) for p in firsts)):.1f} of {len(firsts)}; with 0.95 to 0.97 "
              f"{share(r['first'][3] for r in results if r['settled'] and r['first'][1] < 0.97)}")
    tell_near(results)
    rights = [p for r in results for p in r["rights"]]
    print(f"right said with 0.5 to 0.95: mean {mean([p for p, _ in rights if 0.5 <= p < 0.95])}, true "
          f"{share(o for p, o in rights if 0.5 <= p < 0.95)}")
    print(f"said that nothing will do: {share(not r['possible'] for r in results if r['nothing'])} truly")
    can = [r for r in results if r["possible"]]
    print(f"where something will do: the first meets in {share(bool(r['first'] and r['first'][2]) for r in can)}, by best "
          f"estimates alone {share(bool(r['plain'] and r['plain'][0]) for r in can)}")
    print(f"and is right in {share(bool(r['first'] and r['first'][3]) for r in can)}, by best estimates alone "
          f"{share(bool(r['plain'] and r['plain'][1]) for r in can)}")
    print("proposed first where not settled: " + ", ".join(
        f"{k} {n}" for k, n in sorted(count(r["next"][0]["kind"] for r in results if r["next"]).items())))


def tell_near(results):
    """Are 95 % in truth 95 %? What is said of a book's truths is one thing said, so books are what is counted."""
    for words, said in (("chance that a candidate meets the aims", "pairs"), ("that the first is right", "first")):
        for low, high in ((0.85, 0.9), (0.9, 0.93), (0.93, 0.97), (0.97, 0.99), (0.99, 1.0)):
            books = {}
            for r in results:
                pairs = r["pairs"] if said == "pairs" else [(r["first"][1], r["first"][3])] if r["first"] else []
                for p, true in pairs:
                    if low <= p < high:
                        books.setdefault(r["book"], []).append((p, true))
            n = sum(len(pairs) for pairs in books.values())
            if len(books) < 2:
                continue
            p, true = (sum(pair[k] for pairs in books.values() for pair in pairs) / n for k in (0, 1))
            off = [sum(t - true for _, t in pairs) for pairs in books.values()]
            sd = math.sqrt(sum(x * x for x in off) * len(off) / (len(off) - 1)) / n
            print(f"{words}, said with {low} to {high}: {n} times in {len(books)} drawers, mean {p:.4f}, true "
                  f"{true:.4f} ± {1.96 * sd:.4f}")


def mean(values):
    return f"{sum(values) / len(values):.3f}" if values else "-"


def count(words):
    found = {}
    for word in words:
        found[word] = found.get(word, 0) + 1
    return found


def fails(results):
    """What a small run must show at the least; a forecast that says nothing fails."""
    pairs = [p for r in results for p in r["pairs"]]
    score, _, _, uncertainty, _ = brier(pairs)
    sure = [o for p, o in pairs if p >= 0.95]
    never = [o for p, o in pairs if p <= 0.05]
    settled = [r["first"][3] for r in results if r["settled"]]
    checks = {
        "Brier score below a third of what the mean rate would score": score < uncertainty / 3,
        "nine of ten that are said to meet do": len(sure) > 20 and sum(sure) >= 0.9 * len(sure),
        "nine of ten that are said not to do not": len(never) > 20 and sum(never) <= 0.1 * len(never),
        "settled choices are right, but for one": len(settled) >= 3 and settled.count(False) <= 1,
    }
    return [words for words, good in checks.items() if not good]


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("db")
    parser.add_argument("fit")
    parser.add_argument("--drawers", type=int, default=500)
    parser.add_argument("--seed", type=int, default=22001)
    parser.add_argument("--curves", action="store_true")
    parser.add_argument("--truths", type=int, default=0, help="with --curves: truths drawn for each book")
    parser.add_argument("--minutes", action="store_true")
    parser.add_argument("--zoo", action="store_true")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--test", action="store_true")
    parser.add_argument("--svg", help="also draw the chances against what came of them")
    asked = parser.parse_args()
    db, fit = (str(pathlib.Path(p).resolve()) for p in (asked.db, asked.fit))
    if asked.minutes:
        answers = each_of(functools.partial(both_ways, db, fit), range(asked.seed, asked.seed + asked.drawers),
                          asked.jobs)
        tell_minutes([answer for _, answer in answers if not isinstance(answer, RuntimeError)])
        return 0
    make = (functools.partial(drawer_of_curves, truths=asked.truths) if asked.curves
            else zoo_drawer if asked.zoo else one_drawer)
    results, declined = [], 0
    for seed, answer in each_of(functools.partial(judged_drawer, make, db, fit),
                                range(asked.seed, asked.seed + asked.drawers), asked.jobs):
        if isinstance(answer, RuntimeError):
            declined += 1
            print(f"drawer {seed}: {answer}", file=sys.stderr)
            continue
        results += answer
        for words in [w for judgement in answer for w in judgement["strange"]] * (not asked.truths):
            print(f"drawer {seed}: {words}", file=sys.stderr)
    tell(results, declined)
    if asked.svg:
        words = (f"Chances of {len(results)} drawers "
                 f"{'of curves' if asked.curves else 'of the zoo' if asked.zoo else 'measured'}, seed "
                 f"{asked.seed}")
        pathlib.Path(asked.svg).write_text(
            reliability_svg([p for r in results for p in r["pairs"]], words), encoding="utf-8")
    if not asked.test:
        return 0
    wrong = fails(results)
    for words in wrong:
        print("not so: " + words)
    return 1 if wrong or declined > asked.drawers // 4 else 0


if __name__ == "__main__":
    sys.exit(main())
