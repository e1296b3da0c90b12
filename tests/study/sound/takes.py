"""Takes of a tachometer on a sound input, from formulas.

Nothing here is shared with the program or with its simulated bench: speeds are solutions in closed
form, the angle is their integral in closed form, and a mark is a patch of brightness that passes
under a spot of light. The truth is returned beside the samples.
"""
import math
import wave

import numpy as np
from scipy import integrate, signal

RPM = 2 * math.pi / 60


class CoastDown:
    """J dw/dt = -(c0 + c1 w + c2 w^2), c2 > 0 and 4 c0 c2 > c1^2 (Riccati equation, textbook).

    With u = w + c1/(2 c2) and q^2 = c0/c2 - (c1/(2 c2))^2:  u = q tan(f - k t),  k = c2 q / J,
    angle = (J/c2) ln(cos(f - k t)/cos f) - c1/(2 c2) t.
    """

    def __init__(self, start, c0, c1, c2, inertia, hold):
        self.shift = c1 / (2 * c2)
        self.q = math.sqrt(c0 / c2 - self.shift**2)
        self.k = c2 * self.q / inertia
        self.f = math.atan((start + self.shift) / self.q)
        self.scale = inertia / c2
        self.start, self.hold = start, hold
        self.stop = (self.f - math.atan(self.shift / self.q)) / self.k
        self.length = hold + self.stop

    def angle(self, t):
        free = np.clip(t - self.hold, 0, self.stop)
        fallen = self.scale * np.log(np.cos(self.f - self.k * free) / math.cos(self.f))
        return self.start * np.clip(t, 0, self.hold) + fallen - self.shift * free

    def speed(self, t):
        free = np.clip(t - self.hold, 0, self.stop)
        return np.where(t < self.hold, self.start, self.q * np.tan(self.f - self.k * free) - self.shift)


class RippledCoastDown:
    """The same with a torque that also goes with the place, a cos(th + f) + b cos(2 th + g): solved
    numerically (SciPy, DOP853, tolerances of 1e-10)."""

    def __init__(self, start, c0, c1, c2, inertia, hold, once, twice):
        def motion(_, y):
            angle, w = y
            swing = once[0] * np.cos(angle + once[1]) + twice[0] * np.cos(2 * angle + twice[1])
            return w, -(c0 + c1 * w + c2 * w * w + swing) / inertia

        def stands(_, y):
            return y[1] - 0.01

        stands.terminal = True
        done = integrate.solve_ivp(motion, (0, 1000), (start * hold, start), "DOP853", events=stands,
                                   rtol=1e-10, atol=1e-10, dense_output=True)
        self.course, self.stop = done.sol, done.t[-1]
        self.start, self.hold, self.length = start, hold, hold + done.t[-1]

    def _free(self, t, which):
        free = np.clip(np.asarray(t, float) - self.hold, 0, self.stop)
        return np.concatenate([self.course(part)[which] for part in np.array_split(free, len(free) // 50000 + 1)])

    def angle(self, t):
        return np.where(t < self.hold, self.start * np.maximum(t, 0), self._free(t, 0))

    def speed(self, t):
        return np.where(t < self.hold, self.start, self._free(t, 1))


class SpinUp:
    """J dw/dt = Ts (1 - w/w0): the straight torque line of a permanent-magnet motor (textbook)."""

    def __init__(self, stall, no_load, inertia, rest, length):
        self.tau, self.w0 = inertia * no_load / stall, no_load
        self.rest, self.length = rest, length

    def angle(self, t):
        on = np.maximum(t - self.rest, 0)
        return self.w0 * (on - self.tau * (1 - np.exp(-on / self.tau)))

    def speed(self, t):
        return self.w0 * (1 - np.exp(-np.maximum(t - self.rest, 0) / self.tau))


class Steady:
    """A constant speed, and a slow sine on it."""

    def __init__(self, speed, length, wander=0.0, period=7.0):
        self.w, self.length, self.a, self.p = speed, length, wander * speed, 2 * math.pi / period

    def angle(self, t):
        return self.w * t + self.a / self.p * (1 - np.cos(self.p * t))

    def speed(self, t):
        return self.w + self.a * np.sin(self.p * t)


class Marks:
    """Patches on a disc: each with its own place, width and brightness, seen through a round spot."""

    def __init__(self, rng, count, width=0.12, uneven=0.01, spot=0.02, unlike=0.1, dark=False):
        pitch = 2 * math.pi / count
        self.at = (np.arange(count) + uneven * rng.standard_normal(count)) * pitch
        self.half = width / 2 * pitch * (1 + unlike * rng.uniform(-1, 1, count))
        self.bright = 1 + unlike * rng.uniform(-1, 1, count)
        self.slope = 0.3 * rng.uniform(-1, 1)  # brighter on one side: the pulse is not symmetrical
        self.spot = spot * pitch
        self.sign = -1.0 if dark else 1.0

    def seen(self, angle):
        """A round spot of even light: the share that lies beyond a straight edge at x radii."""
        def share(x):
            x = np.clip(x, -1, 1)
            return 0.5 + (np.arcsin(x) + x * np.sqrt(1 - x * x)) / math.pi

        total = np.zeros_like(angle)
        for at, half, bright in zip(self.at, self.half, self.bright):
            d = np.mod(angle - at + math.pi, 2 * math.pi) - math.pi
            patch = share((d + half) / self.spot) - share((d - half) / self.spot)
            total += bright * patch * (1 + self.slope * d / half)
        return self.sign * total


def coil(angle, speed, marks, top):
    """A coil beside a tooth: voltage as the flux changes, so it grows with speed."""
    total = np.zeros_like(angle)
    for at, half, bright in zip(marks.at, marks.half, marks.bright):
        d = np.mod(angle - at + math.pi, 2 * math.pi) - math.pi
        x = d / half
        total += bright * -2 * x * np.exp(-x * x)
    return total * speed / top


class Card:
    """What lies between the sensor and the file."""

    rate = 48000
    ppm = 0.0             # the card's clock runs fast by this
    snr_db = 40.0         # pulses over noise, by power, while the shaft turns at half speed or more
    pink = 0.1            # share of the noise's power that is 1/f
    high_pass = (22.0, 4.0)   # Hz, one pole each
    low_pass = 9000.0     # Hz, one pole: the photo transistor with its resistor
    hum = 0.0             # of the pulses' rms
    hum_hz = 50.0
    drift = 0.0           # of the pulses' height, slow
    fade = 0.0            # share of the gain that comes and goes
    agc = False           # the gain follows the level
    clip = 0.0            # share of the highest height at which it clips; 0: never
    bounce = 0.0          # probability of a contact's second pulse
    lost = 0.0            # probability that a mark is not seen at all
    bits = 16
    inertia = 0.0017      # of the machine that coasts down, kg m2
    ripple = 0.0          # of its drag c0: what comes and goes once a turn, and as much twice a turn
    codec = ""            # "ogg" or "flac": the file on its way

    def __init__(self, **given):
        for name, value in given.items():
            assert hasattr(Card, name), name
            setattr(self, name, value)


def pole(x, hz, rate, kind):
    b, a = signal.butter(1, min(hz / (rate / 2), 0.99), kind)
    return signal.lfilter(b, a, x)


def hum(rng, card, t):
    total = np.zeros_like(t)
    for h in range(1, 12):
        size = rng.uniform(0.2, 1) / h**0.7 * (1 if h % 2 or h < 3 else 0.4)
        total += size * np.sin(2 * math.pi * h * card.hum_hz * t + rng.uniform(0, 6.3))
    return total / math.sqrt(np.mean(total**2))


def take(rng, course, marks, card, before=0.6, after=0.8, sensor="spot"):
    """Samples of one channel, and the times of the marks by a true clock."""
    true_rate = card.rate * (1 + card.ppm * 1e-6)
    n = int((before + course.length + after) * card.rate)
    over = 4 if card.rate <= 48000 else 1
    t = np.arange(n * over) / (true_rate * over) - before
    at = np.where(t < 0, 0.0, t)
    angle, speed = course.angle(at) + 0.3, course.speed(at)
    speed = np.where(t < 0, 0, speed)
    top = float(np.max(speed))
    x = coil(angle, speed, marks, top) if sensor == "coil" else marks.seen(angle)
    if card.lost or card.bounce:
        turns = np.floor((angle - marks.at[0]) / (2 * math.pi) * len(marks.at) + 0.5).astype(int)
        dice = rng.uniform(size=turns.max() + 2)
        x = np.where(dice[turns - turns.min()] < card.lost, 0.0, x)
        late = int(0.004 * true_rate * over)
        again = np.concatenate([np.zeros(late), x[:-late]])
        x = np.where(dice[turns - turns.min()] > 1 - card.bounce, np.maximum(x, again), x)
    x = pole(x, card.low_pass, true_rate * over, "low")
    if over > 1:
        x = signal.decimate(x, over, ftype="fir")
        t, speed = t[::over], speed[::over]
    for hz in card.high_pass:
        x = pole(x, hz, true_rate, "high")
    turning = speed > 0.5 * top
    rms = math.sqrt(np.mean(x[turning] ** 2))
    white = rng.standard_normal(len(x))
    red = pole(rng.standard_normal(len(x)), 60.0, true_rate, "low")
    noise = math.sqrt(1 - card.pink) * white + math.sqrt(card.pink) * red / np.std(red)
    x = x + rms * 10 ** (-card.snr_db / 20) * noise
    height = np.max(np.abs(x))
    if card.hum:
        x = x + card.hum * rms * hum(rng, card, t)
    if card.drift:
        x = x + card.drift * height * np.sin(2 * math.pi * t / 9.0 + 1)
    if card.fade:
        x = x * (1 - card.fade / 2 * (1 + np.sin(2 * math.pi * t / 5.0)))
    if card.agc:
        level = signal.lfilter([1], [1, -math.exp(-1 / (0.3 * card.rate))], np.abs(x)) / (0.3 * card.rate)
        x = x / np.maximum(level, 0.3 * np.max(level))
    x = x / np.max(np.abs(x))
    if card.clip:
        x = np.clip(x, -card.clip, card.clip) / card.clip
    steps = 2 ** (card.bits - 1) - 1
    return np.round(0.8 * steps * x) / steps


def write_wav(path, channels, rate):
    data = np.stack(channels, axis=1)
    with wave.open(path, "wb") as out:
        out.setnchannels(data.shape[1])
        out.setsampwidth(2)
        out.setframerate(rate)
        out.writeframes((np.clip(data, -1, 1) * 32767).astype("<i2").tobytes())


def mark_times(course, marks, before):
    """When the middle of each mark passed, by bisection on the closed angle; s from the take's start."""
    first, last = 0.3, float(course.angle(np.array([course.length]))[0]) + 0.3
    turns = np.arange(first // (2 * math.pi) - 1, last // (2 * math.pi) + 2)
    wanted = np.sort((2 * math.pi * turns[:, None] + marks.at[None, :]).ravel())
    wanted = wanted[(wanted > first) & (wanted < last)]
    low, high = np.zeros_like(wanted), np.full_like(wanted, course.length)
    for _ in range(60):
        middle = (low + high) / 2
        early = course.angle(middle) + 0.3 < wanted
        low, high = np.where(early, middle, low), np.where(early, high, middle)
    return before + low


def machine_sound(rng, card, course, before=0.6, after=0.8, strong=(7, 14), harmonics=30):
    """The noise of a machine itself: harmonics of the turn, of blades or needles among them strong
    ones, each with a level that wanders, through a microphone. Nothing of it is told to a reader."""
    true_rate = card.rate * (1 + card.ppm * 1e-6)
    n = int((before + course.length + after) * card.rate)
    t = np.arange(n) / true_rate - before
    at = np.clip(t, 0, None)
    angle, speed = course.angle(at) + 0.3, np.clip(np.where(t < 0, 0, course.speed(at)), 0, None)
    top = float(np.max(speed))
    x = np.zeros(n)
    for h in range(1, harmonics + 1):
        level = (1.0 if h in strong else 0.3) * np.exp(0.7 * rng.standard_normal()) / h**0.4
        slow = signal.lfilter(*signal.butter(1, 1.5 / (true_rate / 2), "low"), rng.standard_normal(n))
        level = level * (1 + 0.3 * slow / np.std(slow)) * (speed / top) ** rng.uniform(0.7, 1.6)
        x += level * np.sin(h * angle + rng.uniform(0, 6.3))
    for hz in card.high_pass:
        x = pole(x, hz, true_rate, "high")
    rms = math.sqrt(np.mean(x[speed > 0.5 * top] ** 2))
    white, red = rng.standard_normal(n), pole(rng.standard_normal(n), 60.0, true_rate, "low")
    noise = math.sqrt(1 - card.pink) * white + math.sqrt(card.pink) * red / np.std(red)
    x = x + rms * 10 ** (-card.snr_db / 20) * noise
    if card.hum:
        x = x + card.hum * rms * hum(rng, card, t)
    return x / np.max(np.abs(x)) * 0.8
