"""A sound input as tachometer, beside SciPy's signal tools on the same takes.

Truth is closed: the phase of a linear chirp, f0*t + (f1 - f0)*t^2/(2*T), of which scipy.signal.chirp
makes the sound. The peers are what its manual offers for the job: a matched filter by correlation
with the peaks refined by a parabola, and the ridge of a short-time Fourier transform.
"""

import sqlite3
import subprocess
import wave

import numpy
import scipy.signal

from figures import SCALE, by_rounds, figure, seconds

RATE = 48000
FROM_HZ, TO_HZ, LENGTH_S = 80.0, 20.0, 12.0


def phase(t):
    return FROM_HZ * t + (TO_HZ - FROM_HZ) * t * t / (2 * LENGTH_S)


def write_take(path, x):
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(RATE)
        out.writeframes((numpy.clip(x, -1, 1) * 32767).astype("<i2").tobytes())


def pulses(t, noise, seed):
    """A raised cosine about each whole turn of the phase, a fifth of it long."""
    turns = phase(t)
    away = turns - numpy.round(turns)
    bumps = numpy.where(numpy.abs(away) < 0.1, 0.5 + 0.5 * numpy.cos(away / 0.1 * numpy.pi), 0)
    return 0.6 * (bumps - 0.1 + noise * numpy.random.default_rng(seed).normal(size=len(t)))


def edges_of_ours(bench, name, *words):
    book = bench.path(name + ".book")
    if not book.exists():
        bench.call("loadline-db", "init", "--book", book)
        bench.call("loadline-db", "add", "machine", "K", "--book", book)
    bench.call("loadline-logger", "record", "top-speed", "--port", bench.path(name + ".wav"), "--machine",
               "K", "--book", book, *words)
    with sqlite3.connect(f"file:{book}?mode=ro", uri=True) as connection:
        rows = connection.execute(
            "SELECT (tick - handwheel_edge_age_ticks) / tick_hz, max(handwheel_edges) FROM sample JOIN "
            "run ON run.id = run_id WHERE handwheel_edges > 0 GROUP BY 1 ORDER BY 1").fetchall()
    return numpy.array(rows).T


def edges_of_peer(x):
    shape = 0.5 + 0.5 * numpy.cos(numpy.linspace(-numpy.pi, numpy.pi, RATE // 250))
    found = scipy.signal.correlate(x - numpy.mean(x), shape - numpy.mean(shape), mode="same",
                                   method="fft")
    at, _ = scipy.signal.find_peaks(found, height=0.4 * numpy.max(found), distance=RATE // 110)
    left, middle, right = found[at - 1], found[at], found[at + 1]
    return (at + 0.5 * (left - right) / (left - 2 * middle + right)) / RATE


def spread(times):
    """How far passages scatter about whole turns, but for what all have alike; turns, rms."""
    turns = phase(times)
    return numpy.std(turns - numpy.round(turns - numpy.median(turns - numpy.round(turns))))


@figure("sound-edges/scipy-matched-filter", at_most=1)
def edges(bench):
    """Scatter of the edges of a chirp of pulses in noise, over the peer's."""
    t = numpy.arange(int(LENGTH_S * RATE)) / RATE
    ratios = []
    for seed in (1, 2, 3):
        name = f"pulses-{seed}"
        x = pulses(t, 0.1, seed)
        write_take(bench.path(name + ".wav"), x)
        times, counts = edges_of_ours(bench, name, "--pulses", 4)
        if abs(counts[-1] - phase(LENGTH_S)) > 2:
            raise RuntimeError(f"{counts[-1]:.0f} edges of {phase(LENGTH_S):.0f}")
        ratios.append(spread(times) / spread(edges_of_peer(x)))
    return ratios


def hum(seed, snr_db):
    """Harmonics of a turn that falls from 20 to 12 a second, of uneven strength, in noise."""
    random = numpy.random.default_rng(seed)
    t = numpy.arange(int(LENGTH_S * RATE)) / RATE
    x = numpy.zeros_like(t)
    for h in range(1, 21):
        level = random.lognormal(0, 0.7) / h ** 0.5 * (3 if h in (6, 12) else 1)
        x += level * scipy.signal.chirp(t, 20 * h, LENGTH_S, 12 * h, phi=random.uniform(0, 360))
    x += numpy.std(x) * 10 ** (-snr_db / 20) * random.normal(size=len(t))
    return 0.8 * x / numpy.max(numpy.abs(x))


def speed_of_peer(x):
    """The ridge of the sixth harmonic, refined by a parabola through the logarithms."""
    hz, times, lines = scipy.signal.stft(x, RATE, nperseg=RATE // 2, noverlap=RATE * 9 // 20)
    inside = (hz > 6 * 11) & (hz < 6 * 21)
    level = numpy.log(numpy.abs(lines[inside]) + 1e-12)
    top = numpy.clip(numpy.argmax(level, axis=0), 1, level.shape[0] - 2)
    k = numpy.arange(level.shape[1])
    left, middle, right = level[top - 1, k], level[top, k], level[top + 1, k]
    return times, (hz[inside][top] + 0.5 * (left - right) / (left - 2 * middle + right) *
                   (hz[1] - hz[0])) / 6


def usual_error(times, speeds):
    """Median of the relative error against the closed instantaneous frequency, inside the take."""
    inside = (times > 1) & (times < LENGTH_S - 1)
    truth = 20 - 8 * times[inside] / LENGTH_S
    return numpy.median(numpy.abs(speeds[inside] / truth - 1))


@figure("hum-speed/scipy-stft-ridge", at_most=0.5)
def speed(bench):
    """Error of the instantaneous speed by the hum, over the peer's; either by half a second of sound
    (the linear chirp's mean is its middle)."""
    ratios = []
    for seed in (1, 2, 3):
        name = f"hum-{seed}"
        x = hum(seed, 10)
        write_take(bench.path(name + ".wav"), x)
        times, counts = edges_of_ours(bench, name, "--tone", "--top-rpm", 1150)
        apart = 4 * 8  # eight turns: 0.4 to 0.7 s
        turns = (counts[apart:] - counts[:-apart]) / 4
        ours = usual_error((times[apart:] + times[:-apart]) / 2, turns / (times[apart:] - times[:-apart]))
        ratios.append(ours / usual_error(*speed_of_peer(x)))
    return ratios


@figure("sound-pace/through-a-pipe", at_least=50)
def pace(bench):
    """Seconds of sound, 50 marks a second, that a second of the clock takes in through a pipe."""
    minutes = max(1, round(5 * SCALE))
    t = numpy.arange(RATE) / RATE  # whole turns in a second, so that seconds follow each other
    away = 50 * t - numpy.round(50 * t)
    second = numpy.where(numpy.abs(away) < 0.1, 0.5 + 0.5 * numpy.cos(away / 0.1 * numpy.pi), 0)
    second += numpy.random.default_rng(4).normal(0, 0.02, RATE)
    write_take(bench.path("long.wav"), numpy.tile(0.6 * second, 60 * minutes))
    book = bench.path("long.book")
    bench.call("loadline-db", "init", "--book", book)
    bench.call("loadline-db", "add", "machine", "K", "--book", book)

    def take_in():
        words = ["record", "top-speed", "--port", "-", "--pulses", "4", "--machine", "K", "--book", book]
        with subprocess.Popen(["cat", bench.path("long.wav")], stdout=subprocess.PIPE) as cat:
            subprocess.run([bench.program("loadline-logger"), *map(str, words)], check=True,
                           stdin=cat.stdout, capture_output=True)

    return by_rounds(lambda: 60 * minutes, lambda: seconds(take_in), 3)
