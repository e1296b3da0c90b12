"""A rig written from wire.md alone: the bytes of a short session on standard output.

Shares no line with the C codec and uses nothing but Python's standard library. The contents follow
rules that independent_encoder_test.cc knows too. With an argument it is a plain brake run that a
logger can record: constant speed and torque.
"""
import struct
import sys

sequence = 0


def checksum(data):
    """CRC-16/IBM-3740: polynomial 0x1021, initial 0xFFFF, not reflected, no final xor."""
    crc = 0xFFFF
    for byte in data:
        for bit in range(7, -1, -1):
            feedback = (crc >> 15) ^ (byte >> bit & 1)
            crc = (crc << 1 & 0xFFFF) ^ (0x1021 if feedback else 0)
    return crc


def stuffed(data):
    """Cut at the zeros; before each part its length plus one."""
    return b"".join(bytes([len(part) + 1]) + part for part in data.split(b"\0"))


def frame(kind, payload):
    global sequence
    body = bytes([1, kind, sequence]) + payload
    sequence = (sequence + 1) % 256
    return stuffed(body + struct.pack("<H", checksum(body))) + b"\0"


def identity(firmware, channels=0x1F):
    text = firmware.encode("utf-8")
    return frame(0x81, struct.pack("<IIBBHHIIIfff", 4711, 1000000, channels, 2, 12, 4, 80000, 25000,
                                   99500, 0.25, 0.0625, -40.0) + bytes([len(text)]) + text)


def status(streaming, tick, samples):
    return frame(0x82, struct.pack("<BBBIIIIIII", streaming, 1, 0, tick, 0, samples, 0, 3, 2, 1))


def error(code, about, tick, text):
    data = text.encode("utf-8")
    return frame(0x84, struct.pack("<BBIB", code, about, tick, len(data)) + data)


def sample(number, tick, channels, torque=0, motor=(0, 0), wheel=(0, 0), supply=0, temperature=0):
    payload = struct.pack("<IIB", number, tick % 2**32, channels)
    if channels & 0x01:
        payload += struct.pack("<i", torque)
    if channels & 0x02:
        payload += struct.pack("<II", motor[0] % 2**32, motor[1] % 2**32)
    if channels & 0x04:
        payload += struct.pack("<II", wheel[0] % 2**32, wheel[1] % 2**32)
    if channels & 0x08:
        payload += struct.pack("<i", supply)
    if channels & 0x10:
        payload += struct.pack("<i", temperature)
    return frame(0x83, payload)


def puzzle():
    """Every combination of channels, counts over the whole range, ticks and edges that wrap."""
    yield b"\0" + identity("Versuch Nr. 12, Prüfstand µ")
    yield status(1, 77, 0)
    for n in range(640):
        tick = 2**32 - 4000000 + 12500 * n
        yield sample(n, tick, n % 32, n * n * 7919 % 2**24 - 2**23, (2**32 - 1000 + 10 * n, tick - 123),
                     (5 * n, tick - 4567), 900 + n, -n)
    yield error(4, 0, 99, "Wandler schweigt")
    yield status(0, 2**32 - 1, 640)


def brake_run():
    """Ten seconds at 100 turns a second (12 pulses each), 10,000 counts of torque."""
    yield b"\0" + identity("written from the page", 0x0B)
    yield status(1, 0, 0)
    for n in range(800):
        tick = 12500 * (n + 1)
        edges = tick * 1200 // 1000000
        yield sample(n, tick, 0x0B, 10000, (edges, edges * 1000000 // 1200), supply=920)
    yield status(0, 12500 * 801, 800)


if __name__ == "__main__":
    sys.stdout.buffer.write(b"".join(brake_run() if len(sys.argv) > 1 else puzzle()))
