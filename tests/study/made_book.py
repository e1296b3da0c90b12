"""What studies share that make a book of their own: a program asked on it, and a curve put into it as if it had
been fitted. Truths, benches and judgement stay each study's own."""
import json
import subprocess
import uuid


def call(folder, program, *words, good=(0, 1)):
    """What `program` prints when it is asked `words` on the book d.book of `folder`."""
    done = subprocess.run([program, *map(str, words), "--book", str(folder / "d.book")], capture_output=True,
                          text=True, cwd=folder, check=False)
    if done.returncode not in good or ("--json" in words and not done.stdout):  # no curve to answer by
        raise RuntimeError(f"{words}: {done.returncode} {done.stderr.strip()}")
    return done.stdout


def put_curve(book, column, part, model, names, values, sds, high, supply=None):
    """A curve of a motor or machine (`column` says which), whose parameters are known to within `sds` each by itself."""
    square = [[s * s if i == k else 0 for k in range(len(sds))] for i, s in enumerate(sds)]
    book.execute(
        f"INSERT INTO curve (uuid, {column}, model, parameter_names, parameters, covariance, degrees_of_freedom,"
        " speed_low_rad_per_s, speed_high_rad_per_s, supply_v, program_version, made_utc)"
        " VALUES (?, ?, ?, ?, ?, ?, 1e9, 5, ?, ?, 'study', '2026-01-01T00:00:00Z')",
        (str(uuid.uuid4()), part, model, json.dumps(names), json.dumps(values), json.dumps(square), high, supply))
