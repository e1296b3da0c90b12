"""plain_recorder.py PORT FILE: a recorder as one writes it in an afternoon, with pyserial and sqlite3.

It reads blocks, cuts them at the zeros, undoes the stuffing, unpacks, and inserts batches of a
thousand rows. It looks at no checksum, no sequence number, no lost sample; that takes no time here.
"""

import sqlite3
import struct
import sys

import serial

START = bytes([0x03, 0x01, 0x02, 0x03, 0xCE, 0x9D, 0x00])
SAMPLE = struct.Struct("<3xIIxiII")


def unstuffed(frame):
    body = bytearray(frame)
    at = 0
    while at < len(body):
        step = body[at]
        body[at] = 0
        at += step
    return body[1:]


def record(port, path):
    book = sqlite3.connect(path)
    book.executescript("PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL;"
                       "CREATE TABLE sample (number INTEGER, tick INTEGER, torque_counts INTEGER,"
                       " motor_edges INTEGER, motor_edge_tick INTEGER)")
    rest, rows, count = b"", [], 0
    while True:
        block = port.read(max(1, port.in_waiting))
        *frames, rest = (rest + block).split(b"\0")
        for frame in frames:
            if len(frame) < 20:
                continue
            body = unstuffed(frame)
            if body[1] == 0x82 and count and body[3] == 0:
                book.executemany("INSERT INTO sample VALUES (?, ?, ?, ?, ?)", rows)
                book.commit()
                return
            if body[1] != 0x83:
                continue
            rows.append(SAMPLE.unpack_from(body))
            count += 1
            if len(rows) == 1000:
                book.executemany("INSERT INTO sample VALUES (?, ?, ?, ?, ?)", rows)
                book.commit()
                rows.clear()


with serial.Serial(sys.argv[1], 115200, timeout=1) as opened:
    opened.write(START)
    record(opened, sys.argv[2])
