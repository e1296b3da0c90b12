"""Hostile clients beside a recording: hostile_page_test.py LOGGER DB FRAME_PLAYER

The logger records 1,000 samples a second, has fitted beside it what is committed so far, and serves
its page on every address while clients at
127.0.0.1 do what they can to hurt it: silent and slow ones, endless request lines, headers and
bodies, floods of short connections, answers never taken, codes guessed. A good client stands at
127.0.0.2 with the code from the terminal. Whatever they do, no sample may be lost, the recorder's
memory may not grow by 10 MB, the good client must be answered, and the recorder must end when asked.

Times are printed, not judged: they depend on what else the machine does. LOADLINE_HOSTILE_SECONDS
(8) and LOADLINE_HOSTILE_CONNECTIONS (600 at a time) make it longer and harder.
"""

import errno
import http.client
import json
import os
import pathlib
import random
import re
import resource
import selectors
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time

LOGGER, DB, PLAYER = (str(pathlib.Path(p).resolve()) for p in sys.argv[1:4])
SECONDS = float(os.environ.get("LOADLINE_HOSTILE_SECONDS", "8"))
CONNECTIONS = int(os.environ.get("LOADLINE_HOSTILE_CONNECTIONS", "600"))
PATIENCE = 60  # seconds; only what hangs gets near it
MOST_GROWTH_KB = 10_000
HEAD = b"POST /open HTTP/1.1\r\nHost: 127.0.0.1:%d\r\nOrigin: http://127.0.0.1:%d\r\n"


def fail(words):
    print(f"FAILED: {words}", file=sys.stderr)
    sys.exit(1)


def of_process(pid, field):
    for line in pathlib.Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith(field + ":"):
            return int(line.split()[1])
    return 0


# Each kind of client: what it sends first, what it sends again and again, pause between (seconds).
def kinds(port):
    head = HEAD % (port, port)
    wrong = b'{"code": "AAAAAAAA"}'
    whole = b"GET / HTTP/1.1\r\nHost: 127.0.0.1:%d\r\n\r\n" % port
    return {
        "silent": (b"", b"", 1),
        "slow": (b"GET / HTTP/1.1\r\nX: ", b"a", 0.5),
        "slow lines": (b"GET / HTTP/1.1\r\n", b"X: y\r\n", 0.5),
        "endless line": (b"GET /", b"a" * 16384, 0),
        "endless headers": (b"GET / HTTP/1.1\r\n", b"X-Header: abcdefgh\r\n" * 800, 0),
        "endless header": (b"GET / HTTP/1.1\r\nX: ", b"a" * 16384, 0),
        "endless chunks": (head + b"Transfer-Encoding: chunked\r\n\r\n",
                           (b"1000\r\n" + b"x" * 4096 + b"\r\n") * 4, 0),
        "slow chunks": (head + b"Transfer-Encoding: chunked\r\n\r\n", b"1\r\nx\r\n", 0.3),
        "huge chunk": (head + b"Transfer-Encoding: chunked\r\n\r\nFFFFFFFFFFFFFFFF\r\n",
                       b"x" * 16384, 0),
        "no length": (head + b"Connection: close\r\n\r\n", b"x" * 16384, 0),
        "huge length": (head + b"Content-Length: 1000000000000\r\n\r\n", b"x" * 16384, 0),
        "negative length": (head + b"Content-Length: -1\r\n\r\n", b"x" * 64, 0.2),
        "guesses": (b"", head + b"Content-Length: %d\r\n\r\n" % len(wrong) + wrong, 0.2),
        "never reads": (whole * 50, whole * 50, 0.1),
        "in and out": (whole, None, 0),
        "knocks": (b"", None, 0),
        "noise": (bytes(random.Random(1).randrange(256) for _ in range(4096)), b"\0\r\n\xff", 0.1),
    }


class Hostile(threading.Thread):
    """Keeps many connections busy until told to end."""

    def __init__(self, port):
        super().__init__(daemon=True)
        self.port, self.kinds = port, kinds(port)
        self.opened = {name: 0 for name in self.kinds}
        self.ended = threading.Event()
        self.dice = random.Random(2)

    def open_one(self, chooser, name):
        client = socket.socket()
        client.setblocking(False)
        try:
            client.connect_ex(("127.0.0.1", self.port))
            chooser.register(client, selectors.EVENT_WRITE, [name, False, 0.0, b""])
        except OSError:
            client.close()
            return
        self.opened[name] += 1

    def feed(self, client, state, now):
        """False when the connection is over."""
        name, greeted, due, left = state
        first, again, pause = self.kinds[name]
        if now < due:
            return True
        if not greeted:
            state[1], left = True, first
        elif not left:
            if again is None:
                return False
            left = again
        try:
            sent = client.send(left) if left else 0
            state[3] = left[sent:]
        except OSError as error:
            if error.errno not in (errno.EAGAIN, errno.EWOULDBLOCK):
                return False
            state[3] = left
        state[2] = now + pause
        return True

    def run(self):
        chooser = selectors.EpollSelector()
        names = list(self.kinds)
        while not self.ended.is_set():
            missing = CONNECTIONS - len(chooser.get_map())
            for _ in range(min(missing, 200)):
                self.open_one(chooser, self.dice.choice(names))
            now = time.monotonic()
            ready = chooser.select(0.01)
            for key, _ in ready:
                if not self.feed(key.fileobj, key.data, now):
                    chooser.unregister(key.fileobj)
                    key.fileobj.close()
            if len(ready) < 20:
                time.sleep(0.002)
        for key in list(chooser.get_map().values()):
            key.fileobj.close()


class Good:
    """Has the code, watches the stream and asks for the page, at another address."""

    def __init__(self, port, code):
        self.port, self.slowest, self.answers, self.events = port, 0.0, 0, 0
        answer = self.ask("POST", "/open", json.dumps({"code": code}))
        if answer.status != 200:
            fail(f"the right code was answered with {answer.status}")
        self.cookie = answer.headers["Set-Cookie"].split(";")[0]
        self.ended = threading.Event()
        self.watching = threading.Thread(target=self.watch, daemon=True)
        self.watching.start()

    def ask(self, method, path, body=None, **more):
        began = time.monotonic()
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE,
                                          source_address=("127.0.0.2", 0))
        host = f"127.0.0.1:{self.port}"
        line.request(method, path, body, {"Host": host, "Origin": f"http://{host}", **more})
        answer = line.getresponse()
        answer.read()
        line.close()
        self.slowest = max(self.slowest, time.monotonic() - began)
        self.answers += 1
        return answer

    def watch(self):
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=PATIENCE,
                                          source_address=("127.0.0.2", 0))
        line.request("GET", "/state", headers={"Host": f"127.0.0.1:{self.port}",
                                               "Cookie": self.cookie})
        answer = line.getresponse()
        self.last = {}
        for event in answer:
            if event.startswith(b"data: "):
                self.last = json.loads(event[6:])
                self.events += 1


def main():
    most = resource.getrlimit(resource.RLIMIT_NOFILE)[1]
    wanted = CONNECTIONS + 200
    resource.setrlimit(resource.RLIMIT_NOFILE, (min(wanted, most), most))
    with tempfile.TemporaryDirectory(prefix="loadline-hostile-") as folder:
        here = pathlib.Path(folder)
        book, line = str(here / "hostile.book"), here / "rig"
        for words in (["init"], ["add", "rig", "bench", "--arm-mm", "100"],
                      ["add", "motor", "grey"]):
            subprocess.run([DB, *words, "--book", book], check=True, stdout=subprocess.DEVNULL)
        samples = int(SECONDS * 1000 + 600_000)
        player = subprocess.Popen([PLAYER, str(line), str(samples), "1000"], text=True,
                                  stderr=subprocess.PIPE)
        end = time.monotonic() + PATIENCE
        while not line.exists() and time.monotonic() < end:
            time.sleep(0.02)
        recorder = subprocess.Popen(
            [LOGGER, "record", "brake", "--yes", "--json", "--port", str(line), "--motor", "grey",
             "--page", "--page-port", "0", "--listen", "--book", book],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        try:
            attack(recorder, player)
        finally:
            for process in (recorder, player):
                if process.poll() is None:
                    process.kill()
                process.communicate()
        checked = subprocess.run([DB, "check", "--book", book], capture_output=True, text=True,
                                 check=False)
        if checked.returncode != 0:
            fail(f"the book is not sound: {checked.stdout}{checked.stderr}")


def attack(recorder, player):
    port = code = None
    while code is None:
        said = recorder.stderr.readline()
        if not said:
            fail("the recorder ended before it began")
        found = re.search(r"http://[^/:]+:(\d+)/#([0-9A-Z]{8})\b", said)
        if found:
            port, code = int(found[1]), found[2]
    threading.Thread(target=recorder.stderr.read, daemon=True).start()
    good = Good(port, code)
    time.sleep(2)  # the recorder has its buffers
    before = of_process(recorder.pid, "VmRSS")
    hostile = Hostile(port)
    hostile.start()
    began = time.monotonic()
    while time.monotonic() - began < SECONDS:
        if recorder.poll() is not None:
            fail(f"the recorder ended by itself, with {recorder.returncode}")
        if good.ask("GET", "/", Cookie=good.cookie).status != 200:
            fail("the good client was refused")
        time.sleep(0.1)
    grown = of_process(recorder.pid, "VmHWM") - before
    files = len(os.listdir(f"/proc/{recorder.pid}/fd"))
    asked = time.monotonic()
    recorder.send_signal(signal.SIGINT)
    try:
        told = recorder.communicate(timeout=PATIENCE)[0]
    except subprocess.TimeoutExpired:
        fail("the recorder did not end")
    ending = time.monotonic() - asked
    hostile.ended.set()
    hostile.join()
    good.watching.join(PATIENCE)
    result = json.loads(told)
    player.wait(PATIENCE)
    print(f"{sum(hostile.opened.values())} hostile connections in {SECONDS:.0f} s "
          f"({', '.join(f'{n} {name}' for name, n in hostile.opened.items())})")
    print(f"good client: {good.answers} answers, the slowest after {good.slowest:.3f} s; "
          f"{good.events} events")
    print(f"recorder: {result['samples']} samples, {result['lost']} lost, memory grew by "
          f"{grown} kB, {files} files open, ended after {ending:.2f} s; the rig "
          f"{player.stderr.read().strip()}")
    if result["state"] != "complete" or result["lost"] != 0:
        fail(f"the run is {result['state']}, {result['lost']} samples lost")
    if result["samples"] < SECONDS * 500:
        fail("the recorder did not keep pace")
    if grown > MOST_GROWTH_KB:
        fail(f"memory grew by {grown} kB")
    if good.events < 2 or good.last.get("phase") != "ended":
        fail(f"the good client saw {good.events} events, the last of phase "
             f"{good.last.get('phase')}")


main()
