"""Do the limits hold when a motor does something that nobody thought of? left_out.py LEFT_OUT WHAT [--sessions N]
[--seed S] [--jobs N] [--rows FILE]

For each mechanism: what the equations leave open is settled anew on sessions without it, by one factor for all
of it, the least (in twentieths) at which 95 % of those sessions' results are held; then sessions with it are
counted with that factor. LEFT_OUT is the program of left_out.cc, WHAT its first word. --rows keeps what it
printed, and takes up what is there already, so that a long count can be made in pieces.
"""
import argparse
import concurrent.futures
import math
import pathlib
import subprocess

MECHANISMS = {"magnets": ["brushes", "fan", "wandering supply", "warmth of the winding", "warmth of the magnets"],
              "coast": ["ripple", "bump in the turn", "uneven discs", "wrong clock"]}
USUAL = ["brushes", "fan", "saturation", "alternating current", "wandering supply", "warmth of the winding"]
PIECE = 10


def played(program, what, mechanism, seed, count):
    lines = subprocess.run([program, what, str(count), str(seed), mechanism], stdout=subprocess.PIPE, text=True,
                           check=True).stdout.splitlines()
    return [f"{what},{mechanism},{line}" for line in lines]


def held(rows, factor, result=None):
    """Share of the results that limits hold whose open part is `factor` times as wide."""
    inside = [off * off <= half * half * (1 - part + factor * factor * part)
              for _, name, off, half, part in rows if result in (None, name)]
    return sum(inside) / len(inside), len(inside)


def settled(rows):
    return next((k / 20 for k in range(60) if held(rows, k / 20)[0] >= 0.95), 3.0)


def errors(rows, result):
    """Mean and root mean square of how far a result is off."""
    off = [away for _, name, away, _, _ in rows if name == result]
    n = max(1, len(off))
    return f"off {100 * sum(off) / n:+.2f} %, rms {100 * math.sqrt(sum(x * x for x in off) / n):.2f}"


def percent(share):
    return f"{100 * share[0]:.1f}"


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("program")
    parser.add_argument("what", choices=["brake", "spin-up", "magnets", "coast"])
    parser.add_argument("--sessions", type=int, default=100)
    parser.add_argument("--seed", type=int, default=91001)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--rows", default="left_out.csv")
    asked = parser.parse_args()
    program, file = str(pathlib.Path(asked.program).resolve()), pathlib.Path(asked.rows)
    mechanisms = ["nothing", *MECHANISMS.get(asked.what, USUAL)]
    lines = file.read_text(encoding="utf-8").splitlines() if file.exists() else []
    there = {tuple(line.split(",")[:3]) for line in lines}
    wanted = [(m, s) for s in range(asked.seed, asked.seed + asked.sessions, PIECE) for m in mechanisms
              if (asked.what, m, str(s)) not in there]
    with concurrent.futures.ThreadPoolExecutor(asked.jobs) as pool, file.open("a", encoding="utf-8") as kept:
        for done in pool.map(lambda w: played(program, asked.what, *w, min(PIECE, asked.seed + asked.sessions - w[1])),
                             wanted):
            print("\n".join(done), file=kept, flush=True)
            lines += done
    worlds = {m: [] for m in mechanisms}
    for line in lines:
        what, mechanism, seed, model, name, off, half, part = line.split(",")
        if what == asked.what and asked.seed <= int(seed) < asked.seed + asked.sessions:
            worlds[mechanism].append((int(seed), name, float(off), float(half), float(part)))
    results = list(dict.fromkeys(row[1] for row in worlds["nothing"]))
    print("| settled without | factor | held there | with it: held | " + " | ".join(results) + " | as they are, without |")
    print("| --- " * (5 + len(results)) + "|")
    total = []
    for mechanism in mechanisms:
        factor = settled(worlds[mechanism])
        with_it = worlds["nothing"]
        cells = [f"{factor:.2f}", percent(held(worlds[mechanism], factor)), percent(held(with_it, factor)),
                 *(percent(held(with_it, factor, name)) for name in results), percent(held(worlds[mechanism], 1.0))]
        print(f"| {mechanism} | " + " | ".join(cells) + " |")
        total += [held(with_it, factor)[0]] * (mechanism != "nothing")
    print(f"{asked.sessions} sessions from {asked.seed}; all mechanisms together {100 * sum(total) / len(total):.1f} %; as they "
          f"are {percent(held(worlds['nothing'], 1.0))} % of {held(worlds['nothing'], 1.0)[1]} results")
    for mechanism in mechanisms:
        print(f"{mechanism}: " + "; ".join(f"{name} {errors(worlds[mechanism], name)}" for name in results))


if __name__ == "__main__":
    main()
