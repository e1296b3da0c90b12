"""A whole session with the real firmware in it: the emulated board on a pseudo-terminal, the real
logger at the other end, the curve against the bench's truth.

firmware_session.py IMAGE BOARD_ON_LINE SIMRIG LOGGER DB FIT SCENARIOS
"""
import json
import os
import subprocess
import sys
import tempfile
import time

image, board_on_line, simrig, logger, db, fit, scenarios = sys.argv[1:8]
failures = []
count = 0


def check(what, holds, detail=""):
    global count
    count += 1
    if not holds:
        failures.append(f"{what}: {detail}")
        print(f"FAILED {what}: {detail}", file=sys.stderr)


def run(*words, fail=True):
    done = subprocess.run(words, capture_output=True, text=True, timeout=300)
    if fail and done.returncode != 0:
        sys.exit(f"{' '.join(words)}\nended with {done.returncode}:\n{done.stdout}{done.stderr}")
    return done


def settings(pairs, option=True):
    words = []
    for key, value in pairs.items():
        words += ["--set"] * option + [f"{key}={value}"]
    return words


def scenario(name):
    return os.path.join(scenarios, name + ".ini")


def record(folder, kind, name, sets, seconds, *subjects):
    """Records a run of the emulated board; returns the logger's JSON."""
    link = os.path.join(folder, "rig")
    board = subprocess.Popen([board_on_line, image, scenario(name), link, *settings(sets, False)],
                             stderr=subprocess.PIPE, text=True)
    try:
        for _ in range(1000):
            if os.path.islink(link):
                break
            time.sleep(0.01)
        done = run(logger, "record", kind, "--port", link, "--for", str(seconds), "--yes", "--json",
                   *subjects)
        board.wait(timeout=60)
    finally:
        if board.poll() is None:
            board.kill()
            board.wait()
    check(f"{name}: the board ends well", board.returncode == 0, board.stderr.read())
    return json.loads(done.stdout)


def meets(estimate, one, other):
    return (estimate["low"] is not None and estimate["low"] <= max(one, other)
            and estimate["high"] >= min(one, other))


with tempfile.TemporaryDirectory() as folder:
    os.environ["LOADLINE_BOOK"] = os.path.join(folder, "session.book")
    run(db, "init")
    run(db, "add", "rig", "Emulated", "--arm-mm", "100", "--arm-sd-mm", "0.05", "--cell", "brake")
    run(db, "add", "motor", "Heron 70", "--type", "series", "--rated-v", "230", "--rated-hz", "50")
    run(db, "add", "machine", "Wren")

    points = []
    for n, mass in enumerate((0, 100, 200, 400, 200, 100, 0)):
        capture = os.path.join(folder, f"mass{n}.raw")
        run(simrig, scenario("rest"), "--seed", str(100 + n), "--capture", capture,
            *settings({"cell.mass_g": mass, "cell.direction": "down" if n > 3 else "up"}))
        points += ["--point", f"{mass}={capture}"]
    run(logger, "calibrate", "--rig", "Emulated", "--yes", *points)

    # The motor against the brake, 80 conversions a second, up to 13,700 rpm on six slots.
    sets = {"brake.sweep_s": 18, "run.seed": 5}
    told = record(folder, "brake", "brake", sets, 25, "--motor", "Heron 70")
    check("brake: every sample came", told["lost"] == 0 and told["damaged"] == 0, told)
    check("brake: 80 a second", abs(told["samples"] - 25 * 80) <= 4, told["samples"])
    check("brake: the run is complete", told["state"] == "complete", told)
    truth_file = os.path.join(folder, "truth.json")
    run(simrig, scenario("brake"), "--seed", "5", "--truth", truth_file, *settings(sets))
    with open(truth_file) as file:
        motor = json.load(file)["motor"]
    answer = json.loads(run(fit, "motor", "Heron 70", "--json").stdout)
    for key, name in (("peak_power", "peak_power_w"), ("stall_torque", "stall_torque_nm"),
                      ("peak_power_speed", "peak_power_speed_rpm")):
        # The motor warms up as it runs: true is what lies between cold and as warm again as its mean.
        cold, mean = motor["cold"][name], motor[name]
        check(f"brake: {key} holds the truth", meets(answer[key], cold, 2 * mean - cold),
              f"{answer[key]} against {mean} ({cold} cold)")

    # The machine coasting down, on the hand wheel's tachometer.
    told = record(folder, "coast-down", "coast-down", {"run.seed": 6, "run.action_s": 5}, 6, "--machine", "Wren")
    check("coast-down: every sample came", told["lost"] == 0 and told["damaged"] == 0, told)

    # The board resets in mid-run: the logger starts it again, and the book knows.
    told = record(folder, "no-load", "no-load", {"faults.reset_at_s": 4, "run.action_s": 5}, 8,
                  "--motor", "Heron 70")
    check("reset: it was noticed", told["resets"] == 1, told)
    check("reset: the run went on", told["samples"] > 6.5 * 80, told["samples"])

    # The converter falls silent for two seconds: speed goes on.
    told = record(folder, "no-load", "no-load",
                  {"faults.stuck_at_s": 3, "faults.stuck_for_s": 2, "run.action_s": 5}, 8,
                  "--motor", "Heron 70")
    check("stuck converter: samples went on", told["samples"] > 7.8 * 80, told["samples"])

    # A rig that somebody else wrote from the page: see independent_encoder.py.
    foreign = os.path.join(folder, "foreign.raw")
    encoder = os.path.join(os.path.dirname(os.path.abspath(__file__)), "independent_encoder.py")
    with open(foreign, "wb") as file:
        subprocess.run([sys.executable, encoder, "brake"], stdout=file, check=True)
    told = json.loads(run(logger, "record", "brake", "--port", foreign, "--motor", "Heron 70",
                          "--yes", "--json").stdout)
    check("page: all is understood", told["samples"] == 800 and told["damaged"] == 0, told)
    check("page: nothing is missed", told["lost"] == 0 and told["state"] == "complete", told)

print(f"{count - len(failures)} passed, {len(failures)} failed")
sys.exit(1 if failures else 0)
