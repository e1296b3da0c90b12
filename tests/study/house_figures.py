"""What a reader meets in the sources: house_figures.py [TREE]

Rooms are a source with its header, grouped by folder; an arrow from A to B is an include of ours. Counted
for the whole tree and for fit/ alone:

  rooms, folders, lines
  folder of most lines; folders of fit/ with more than 1,500 lines
  arrows, and those that close a circle: between rooms, between folders
  headers of ours that an object reads, and their lines, in the mean (all that its source includes,
  however indirectly)
  words of a comment, in the mean over comments; share of lines that are comments
"""

import collections
import pathlib
import re
import sys

FOLDERS = ("db", "fit", "logger", "firmware-protocol")


def circle_arrows(arrows):
    """Arrows of a graph that lead back to a room from which their own was reached, found depth first."""
    seen, path, back = set(), [], 0
    graph = collections.defaultdict(set)
    for a, b in arrows:
        graph[a].add(b)

    def visit(room):
        nonlocal back
        seen.add(room)
        path.append(room)
        for other in sorted(graph[room]):
            if other in path:
                back += 1
            elif other not in seen:
                visit(other)
        path.pop()

    for room in sorted(graph):
        if room not in seen:
            visit(room)
    return back


def comments(text):
    """Runs of comment lines, and comments behind code, each as one text."""
    run = []
    for line in text.splitlines():
        alone = re.match(r"\s*//+<?\s?(.*)", line)
        if alone:
            run.append(alone[1])
            continue
        if run:
            yield " ".join(run)
            run = []
        behind = re.search(r"[;{},)]\s*//+<?\s(.*)", line)
        if behind:
            yield behind[1]
    if run:
        yield " ".join(run)


def figures(name, files, includes, every):
    room = lambda f: f.rsplit(".", 1)[0]  # noqa: E731
    folder = lambda f: f.rsplit("/", 1)[0]  # noqa: E731
    lines = collections.Counter()
    words, pieces, comment_lines = 0, 0, 0
    for f, text in files.items():
        lines[folder(f)] += text.count("\n")
        for comment in comments(text):
            words += len(comment.split())
            pieces += 1
        comment_lines += sum(1 for line in text.splitlines() if line.lstrip().startswith("//"))
    arrows = {(room(a), room(b)) for a in files for b in includes[a] if b in files and room(a) != room(b)}
    between = {(folder(a), folder(b)) for a, b in arrows if folder(a) != folder(b)}

    def reached(f, found):
        for g in includes[f]:
            if g not in found:
                found.add(g)
                reached(g, found)
        return found

    sources = [f for f in files if f.endswith(".cc")]
    per_object = [reached(f, set()) for f in sources]
    read = sum(len(one) for one in per_object) / max(1, len(sources))
    read_lines = sum(every[g].count("\n") for one in per_object for g in one) / max(1, len(sources))
    total = sum(lines.values())
    largest, most = lines.most_common(1)[0]
    print(f"{name}: {len({room(f) for f in files})} rooms in {len(lines)} folders, {total} lines")
    print(f"  largest folder {largest} ({most} lines); above 1,500: {sum(n > 1500 for n in lines.values())}")
    print(f"  arrows {len(arrows)} between rooms, {circle_arrows(arrows)} of them close a circle;"
          f" {len(between)} between folders, {circle_arrows(between)} close a circle")
    print(f"  headers of ours read by an object: {read:.1f}, with {read_lines:.0f} lines")
    print(f"  words in a comment: {words / max(1, pieces):.1f}; comments {100 * comment_lines / total:.0f} % of the lines")


def main():
    tree = pathlib.Path(sys.argv[1] if len(sys.argv) > 1 else pathlib.Path(__file__).parent / "../..").resolve()
    files = {str(p.relative_to(tree)): p.read_text() for top in FOLDERS for p in sorted((tree / top).rglob("*"))
             if p.suffix in (".cc", ".h")}
    includes = {}
    for f, text in files.items():
        found = set()
        for included in re.findall(r'^\s*#\s*include\s+"([^"]+)"', text, re.M):
            beside = f.rsplit("/", 1)[0] + "/" + included
            found |= {g for g in (included, beside) if g in files}
        includes[f] = found
    figures("all", files, includes, files)
    figures("fit", {f: t for f, t in files.items() if f.startswith("fit/")}, includes, files)


main()
