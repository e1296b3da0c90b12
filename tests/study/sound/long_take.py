"""Memory and pace of the recorder over long takes of sound: does the one stay, is the other enough?

    /usr/bin/python3 long_take.py LOGGER DB --minutes 10,600 --rate 48000 --most-growth 1.3

Bare samples go through a pipe, a second again and again: marks under a torch, 60 a second,
with hum, noise and a level that swings. For each length a line: edges, peak memory (as the system
counts it when the recorder ends) and sound over processor time. Exit 1 where the longest take needs
more than so many times the memory of the shortest one, or its edges are not those that passed.
Needs nothing but Python.
"""
import argparse
import array
import json
import math
import os
import random
import subprocess
import sys
import tempfile

MARKS = 60  # a second, a whole number


def one_second(rate, seed=1):
    """Bytes of 16 bits that follow themselves without a seam."""
    dice, samples = random.Random(seed), array.array("h")
    for i in range(rate):
        t = i / rate
        away = MARKS * t - round(MARKS * t)
        mark = math.exp(-(away / 0.06) ** 2) * (1 + 0.3 * math.sin(2 * math.pi * t))
        samples.append(round(14000 * mark + 1500 * math.sin(2 * math.pi * 50 * t) + dice.gauss(0, 500)))
    if sys.byteorder == "big":
        samples.byteswap()
    return samples.tobytes()


def record(logger, book, rate, minutes, sound):
    """(edges, MB at the peak, s of processor time) of a recorder that hears so many minutes."""
    words = ["record", "top-speed", "--port", "-", "--raw-hz", rate, "--pulses", 4, "--machine", "Mill",
             "--book", book, "--json"]
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        recorder = subprocess.Popen([logger, *map(str, words)], stdin=subprocess.PIPE, stdout=out, stderr=err)
        for _ in range(round(minutes * 60)):
            recorder.stdin.write(sound)
        recorder.stdin.close()
        _, status, used = os.wait4(recorder.pid, 0)
        recorder.returncode = os.waitstatus_to_exitcode(status)
        out.seek(0)
        err.seek(0)
        if recorder.returncode:
            sys.exit(err.read().decode())
        return (json.loads(out.read())["sound"]["edges"], used.ru_maxrss / 1024,
                used.ru_utime + used.ru_stime)


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("logger")
    parser.add_argument("db")
    parser.add_argument("--minutes", default="3,12")
    parser.add_argument("--rate", type=int, default=8000)
    parser.add_argument("--most-growth", type=float, default=1.3)
    options = parser.parse_args()
    sound, peaks, right = one_second(options.rate), [], True
    for minutes in map(float, options.minutes.split(",")):
        with tempfile.TemporaryDirectory() as folder:
            book = os.path.join(folder, "long.book")
            for more in (["init"], ["add", "machine", "Mill"]):
                subprocess.run([options.db, *more, "--book", book], check=True, capture_output=True)
            edges, peak, spent = record(options.logger, book, options.rate, minutes, sound)
        passed = minutes * 60 * MARKS
        right = right and abs(edges - passed) < 3
        peaks.append(peak)
        print(f"{minutes:g} min at {options.rate} samples a second: {edges} edges of {passed:.0f}, {peak:.1f} MB, "
              f"{spent:.1f} s of processor time, {minutes * 60 / spent:.0f} times as fast as it plays", flush=True)
    growth = peaks[-1] / peaks[0]
    print(f"memory of the last over that of the first: {growth:.2f}")
    return 0 if right and growth <= options.most_growth else 1


if __name__ == "__main__":
    sys.exit(main())
