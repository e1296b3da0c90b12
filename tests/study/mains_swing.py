"""By how much does the mains' swing mislead a brake run? mains_swing.py [--motors N] [--seed S]

On alternating current a series motor's torque swings between nothing and twice its mean, twice a period, and its
speed with it. Its mean torque then is not quite that at its mean speed held steady, which is what a curve stands
for. Here drawn motors, V = (R + kw)i + L di/dt, T = ki^2 (any machines text), run against a constant torque, their
shaft free, through time by fourth-order Runge-Kutta; then again with the shaft held at the mean speed found.
Told is the difference as a share of the standstill torque, by the swing: half of what the speed moves, over the speed
at which the torque has halved (swing_doubt() in fit/motors/motor_results.cc). Nothing of Loadline is in it.
"""
import argparse
import math

import numpy

STEP_S, RUN_S = 5e-5, 2.0
MAINS_V = 230.0


class Motors:
    """`number` motors of domestic size, drawn: each field is an array."""

    def __init__(self, number, dice):
        self.hertz = dice.choice([50.0, 60.0], number)
        self.stall = dice.uniform(0.1, 0.7, number)  # N m
        corner = dice.uniform(150, 450, number)  # R/k, rad/s
        reactance = corner * dice.uniform(0.3, 1.2, number)  # X/k
        self.inertia = 10 ** dice.uniform(math.log10(2e-5), math.log10(2e-4), number)  # rotor and drum
        # T = V^2/k / ((w + R/k)^2 + (X/k)^2)
        self.k = MAINS_V ** 2 / (self.stall * (corner ** 2 + reactance ** 2))
        self.ohms, self.henry = corner * self.k, reactance * self.k / (2 * math.pi * self.hertz)
        self.half = numpy.sqrt(2 * corner ** 2 + reactance ** 2) - corner  # here the torque has halved
        speed = dice.uniform(0.15, 0.6, number) * self.half
        self.start, self.load = speed, MAINS_V ** 2 / self.k / ((speed + corner) ** 2 + reactance ** 2)

    def slopes(self, t, i, w, inertia):
        volts = math.sqrt(2) * MAINS_V * numpy.sin(2 * math.pi * self.hertz * t)
        return (volts - (self.ohms + self.k * w) * i) / self.henry, (self.k * i * i - self.load) / inertia

    def played(self, w, inertia):
        """Mean torque, mean and lowest speed over the last half second: whole periods of either mains."""
        i, t = numpy.zeros_like(w), 0.0
        steps, told = round(RUN_S / STEP_S), round(0.5 / STEP_S)
        torque, mean, lowest = 0.0, 0.0, numpy.full_like(w, numpy.inf)
        for n in range(steps):
            a, p = self.slopes(t, i, w, inertia)
            b, q = self.slopes(t + STEP_S / 2, i + STEP_S / 2 * a, w + STEP_S / 2 * p, inertia)
            c, r = self.slopes(t + STEP_S / 2, i + STEP_S / 2 * b, w + STEP_S / 2 * q, inertia)
            d, s = self.slopes(t + STEP_S, i + STEP_S * c, w + STEP_S * r, inertia)
            i, w = i + STEP_S / 6 * (a + 2 * b + 2 * c + d), w + STEP_S / 6 * (p + 2 * q + 2 * r + s)
            t += STEP_S
            if n >= steps - told:
                torque, mean = torque + self.k * i * i / told, mean + w / told
                lowest = numpy.minimum(lowest, w)
        return torque, mean, lowest


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("--motors", type=int, default=600)
    parser.add_argument("--seed", type=int, default=2)
    asked = parser.parse_args()
    motors = Motors(asked.motors, numpy.random.default_rng(asked.seed))
    free, mean, lowest = motors.played(motors.start, motors.inertia)
    held, _, _ = motors.played(mean, math.inf)
    swing = motors.stall / motors.inertia / (4 * math.pi * 50) / motors.half
    apart = (free - held) / motors.stall
    print("| swing | motors | mean torque above the held one: mean, greatest | over the swing: mean, rms, greatest |")
    print("| --- | --- | --- | --- |")
    for low, high in ((0.005, 0.02), (0.02, 0.04), (0.04, 0.07), (0.07, 0.1), (0.1, 0.15), (0.15, 0.3), (0.005, 0.3)):
        these = (lowest > 0) & (swing >= low) & (swing < high)
        if not these.any():
            continue
        share, of_swing = 100 * apart[these], apart[these] / swing[these]
        print(f"| {low} to {high} | {these.sum()} | {share.mean():.2f}, {share.max():.2f} % | {of_swing.mean():.3f}, "
              f"{math.sqrt((of_swing ** 2).mean()):.3f}, {of_swing.max():.2f} |")


if __name__ == "__main__":
    main()
