"""No header of ours brings along what is expensive to compile, unless the table says that it may.

A header of another library that takes a second or more for each source that includes it (measured
with the compiler's -ftime-report: JSON 2.2 s, command lines 1.3, dense matrices 1.4, dual numbers
1.4, distributions 1.5, the web server 1.3; the whole standard library that we use, 0.4) belongs into
sources, or into headers that only those include who need it anyway. Followed through every include
in quotes, so that it does not come back by a way round either. No clock is read.
"""

import fnmatch
import re
import sys
import tempfile
from pathlib import Path

# Libraries in angle brackets that cost little; one without a slash is the standard library's, the
# system's, or one of these plain C ones.
LIGHT = ["fmt/*", "nlohmann/json_fwd.hpp", "sys/*", "netinet/*", "arpa/*", "linux/*", "avr/*", "util/*",
         "openssl/*", "simavr/*", "gsl/*", "doctest/*"]
HEAVY_WITHOUT_SLASH = ["httplib.h"]

# What is expensive, and which headers of ours may bring it.
MAY = {
    "nlohmann/*": ["fit/report/*", "logger/live/*", "logger/rig_check.h", "tests/support/program.h"],
    "boost/program_options.hpp": ["db/basis/command_*.h", "db/basis/option_error.h", "db/basis/ask.h",
                                  "*/verbs/*.h"],
    "boost/*": [],
    "Eigen/*": ["fit/*", "tests/reference/*", "tests/study/*", "tests/fit/*", "tests/support/*",
                "logger/calibration_points.h"],
    "ceres/*": ["fit/equations/described.h", "fit/equations/shape_of.h", "fit/equations/formula_of.h", "fit/solver/jet_residuals.h", "fit/coast_downs/motion/coast_solution.h"],
    "httplib.h": [],
    "*/*": [],
}

INCLUDE = re.compile(r'^[ \t]*#[ \t]*include[ \t]+([<"])([^>"]+)[>"]', re.M)


def expensive(library):
    if "/" not in library:
        return library in HEAVY_WITHOUT_SLASH
    return not any(fnmatch.fnmatch(library, light) for light in LIGHT)


def includes_of(root, header):
    """(libraries, headers of ours) that `header` includes itself."""
    libraries, ours = [], []
    for kind, name in INCLUDE.findall((root / header).read_text(encoding="utf-8")):
        beside = header.parent / name
        if kind == "<":
            libraries.append(name)
        elif (root / name).is_file():
            ours.append(Path(name))
        elif (root / beside).is_file():
            ours.append(beside)
    return libraries, ours


def ways_to_libraries(root, header):
    """{expensive library: the headers of ours on the way to it, `header` first}."""
    found, seen, waiting = {}, {header}, [[header]]
    while waiting:
        way = waiting.pop(0)
        libraries, ours = includes_of(root, way[-1])
        for library in libraries:
            if expensive(library):
                found.setdefault(library, way)
        for other in ours:
            if other not in seen:
                seen.add(other)
                waiting.append(way + [other])
    return found


def complaints(root):
    """One sentence for each header that is heavier than it may be; how many were looked at."""
    wrong, count = [], 0
    folders = ["db", "fit", "logger", "firmware-protocol", "tests"]
    for header in sorted(h for f in folders for h in (root / f).rglob("*.h")):
        header = header.relative_to(root)
        count += 1
        for library, way in ways_to_libraries(root, header).items():
            pattern = next(p for p in MAY if fnmatch.fnmatch(library, p))
            if not any(fnmatch.fnmatch(str(header), may) for may in MAY[pattern]):
                by = " by way of " + ", ".join(map(str, way[1:])) if len(way) > 1 else ""
                wrong.append(f"{header} brings <{library}> along{by}: include it in sources, or "
                             "forward-declare what the header needs of it.")
    return wrong, count


def a_tree(files):
    folder = tempfile.TemporaryDirectory()
    for name, text in files.items():
        path = Path(folder.name) / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder


def test_of_the_test():
    light = {"db/book.h": '#include <vector>\n#include "db/records.h"\n',
             "db/records.h": "#include <string>\n#include <nlohmann/json_fwd.hpp>\n",
             "fit/curves/curve.h": "#include <Eigen/Core>\n"}
    with a_tree(light) as root:
        assert complaints(Path(root))[0] == [], complaints(Path(root))
    with a_tree(light | {"db/records.h": "# include <Eigen/Core>\n"}) as root:
        wrong = complaints(Path(root))[0]
        assert len(wrong) == 2 and "by way of db/records.h" in wrong[0], wrong
    with a_tree(light | {"fit/drive/load_lines/root.h": "#include <boost/math/tools/roots.hpp>\n"}) as root:
        assert len(complaints(Path(root))[0]) == 1
    with a_tree(light | {"logger/page.h": "#include <httplib.h>\n"}) as root:
        assert len(complaints(Path(root))[0]) == 1


test_of_the_test()
wrong, count = complaints(Path(__file__).resolve().parents[2])
assert count > 100, f"only {count} headers found"
print("\n".join(wrong) if wrong else f"{count} headers, none heavier than it may be")
sys.exit(1 if wrong else 0)
