"""Every language says everything: languages_test.py SOURCE.

Reads db/basis/languages/*.po and the sources. Every file has the same entries, none empty, with
placeholders that exist; and every sentence that the sources can put into a report is an entry, or
part of one that the programs put together. gettext's format is read by a reader of this test.
"""

import pathlib
import re
import sys
import unittest

SOURCE = pathlib.Path(sys.argv[1]).resolve()
LANGUAGES = sorted((SOURCE / "db/basis/languages").glob("*.po"))
# Where sentences of a report are written. A new file of a section is found by itself.
SPEAKING = [
    *sorted((SOURCE / "fit/report").rglob("*_section.cc")),
    *(SOURCE / "fit" / name for name in (
        "report/pages/verdicts.cc", "report/pages/words.cc", "report/plots/choice_plot.cc",
        "report/plots/curve_plots.cc",
        "motors/motor_fit.cc", "motors/motor_results.cc", "motor_runs/motor_bench.cc",
        "motors/motor_models.cc", "motors/motor_budget.cc", "drags/driven.cc",
        "curves/runs_of.cc", "drive/figures/figures.cc", "drive/answer_warnings.cc",
        "belts/comparison/comparison.cc", "belts/session.cc", "belts/session_slip.cc", "belts/motor_view.cc",
        "belts/grooves/seat.cc", "belts/grooves/fit_check.cc", "choose/choice_words.cc", "choose/drawer/drawer.cc",
        "history/history_words.cc")),
    SOURCE / "logger/cautions.cc"]
# Said on a terminal only.
TERMINAL = {
    "Cautions: motors here run on mains voltage, machines have moving belts and needles, and a held rotor overheats in "
    "seconds. Isolate the rig's electronics from the mains, use a residual-current device, guard what turns, and keep "
    "the supply switch within reach. Local electrical codes and licensed practice take precedence over anything said "
    "here. Loadline controls no mains voltage itself.",
    "(* leans on a curve where nothing was measured)",
    "Left out besides: {} more; --json lists them.",
    "Of the {} that fit together {} not sure to meet what is asked: {}.",
    "{} mm on {} (its pitch diameter)",
    "{} mm on {} (belt on its {})",
    "{} mm on {} (its rim)",
    "groove's width at the rim",
}
WORD = re.compile(r"[A-Za-z][A-Za-z'-]+")
TOKEN = re.compile(r'//[^\n]*|"(?:\\.|[^"\\])*"|\'(?:\\.|[^\'\\])\'|[;{}]|\s+|[^\s"\';{}/]+|/')


def unquoted(text):
    return re.sub(r"\\(.)", lambda m: "\n" if m.group(1) == "n" else m.group(1), text[1:-1])


def entries(path):
    found, key, part = {}, None, None
    for line in path.read_text(encoding="utf-8").splitlines():
        head, _, rest = line.partition(" ") if not line.startswith('"') else ("", "", line)
        if head == "msgid":
            part, key = "id", ""
        elif head == "msgstr":
            part = "str"
            assert key not in found, f"{path.name}: '{key}' stands twice"
            found[key] = ""
        elif not line.startswith('"'):
            continue
        if part == "id":
            key += unquoted(rest)
        else:
            found[key] += unquoted(rest)
    del found[""]
    return found


def literals(path):
    """String literals, neighbours put together, of statements that throw nothing."""
    statement, found, joined = "", [], False
    for match in TOKEN.finditer(path.read_text(encoding="utf-8")):
        token = match.group(0)
        if token.startswith("//") or token.isspace():
            continue
        if token.startswith('"'):
            if joined:
                found[-1] += unquoted(token)
            else:
                found.append(unquoted(token))
            joined = True
            continue
        joined = False
        if token in ";{}":
            if "throw" not in statement and "#include" not in statement:
                yield from found
            statement, found = "", []
        else:
            statement += token + " "


def is_sentence(text):
    return len(WORD.findall(text)) >= 4 and " " in text and not re.search(r"[<>=]|^--", text)


def sentences(text):
    return re.split(r"(?<=[.?!]) |\n", text)


def normal(text):
    text = re.sub(r"{[^}]*}+", "{}", text).strip().lstrip(":;-, ")
    text = re.sub(r"\.{}$", "", text)  # another sentence may follow
    return text[:1].lower() + text[1:].rstrip(".")


def covers(known, sentence):
    """An entry may say more: programs put some sentences together."""
    pattern = ".*".join(re.escape(piece) for piece in normal(sentence).split("{}"))
    return re.search(pattern, known) is not None


class Languages(unittest.TestCase):
    maxDiff = None

    def test_there_are_some(self):
        self.assertTrue(LANGUAGES)
        self.assertTrue(all(path.exists() for path in SPEAKING))

    def test_every_entry_exists_in_every_language(self):
        all_entries = {path.name: entries(path) for path in LANGUAGES}
        every = set().union(*all_entries.values())
        self.assertGreater(len(every), 500)
        for name, found in all_entries.items():
            self.assertEqual(every - set(found), set(), f"missing in {name}")
            self.assertEqual([k for k, v in found.items() if not v.strip()], [], f"empty in {name}")

    def test_placeholders_exist_and_no_number_is_lost(self):
        for path in LANGUAGES:
            for english, said in entries(path).items():
                count = len(re.findall(r"{[^}]*}", english))
                used = re.findall(r"{([^}]*)}", said)
                for place in used:
                    self.assertRegex(place, r"^\d+(:[nw])?$", f"{path.name}: {english}")
                    self.assertLessEqual(int(place.split(":")[0]), count, f"{path.name}: {english}")
                # What is left out is a mere ending: glued to a letter in the English text.
                for number, match in enumerate(re.finditer(r"(.?){[^}]*}", english), 1):
                    if not any(p.split(":")[0] == str(number) for p in used):
                        glued = match.group(1).isalpha() or english in MAY_DROP
                        self.assertTrue(glued, f"{path.name} drops argument {number}: {english}")

    def test_the_live_page_says_everything_too(self):
        def texts(path):
            return dict(re.findall(r'^  "([^"]+)": "((?:\\.|[^"])*)",$',
                                   path.read_text(encoding="utf-8"), re.M))
        live = SOURCE / "logger/live"
        english = texts(live / "words.js")
        self.assertGreater(len(english), 200)
        pages = sorted(live.glob("words.*.js"))
        self.assertEqual([path.name for path in pages],
                         [f"words.{path.stem}.js" for path in LANGUAGES])
        for path in pages:
            said = texts(path)
            self.assertEqual(set(english) ^ set(said), set(), path.name)
            for key, text in said.items():
                places = [sorted(re.findall(r"{\w+}", one)) for one in (text, english[key])]
                self.assertEqual(*places, f"{path.name}: {key}")

    def test_every_sentence_of_a_report_is_an_entry(self):
        known = set().union(*(entries(path) for path in LANGUAGES))
        known = "\n".join(normal(part) for key in known for part in sentences(key))
        missing = []
        for path in SPEAKING:
            for text in literals(path):
                if not is_sentence(text) or text in TERMINAL:
                    continue
                for sentence in sentences(text):
                    if is_sentence(sentence) and not covers(known, sentence):
                        missing.append(f"{path.relative_to(SOURCE)}: {sentence}")
        self.assertEqual(missing, [], "add these to every file in db/basis/languages")


    def test_what_the_live_page_is_told_is_an_entry(self):
        """Sentences of refusal that the page shows as they come, commands to type left out."""
        known = set().union(*(entries(path) for path in LANGUAGES))
        known = "\n".join(normal(part) for key in known for part in sentences(key))
        missing = []
        for path in REFUSING:
            text = re.sub(r"//[^\n]*", "", path.read_text(encoding="utf-8"))
            for call in re.finditer(r"(?:throw Error\(|on_page\(|refusal\(|why = )([^;]*);", text):
                whole = "".join(unquoted(t) for t in re.findall(r'"(?:\\.|[^"\\])*"', call.group(1)))
                if is_sentence(whole) and "loadline-" not in whole and not covers(known, whole):
                    missing.append(f"{path.name}: {whole}")
        self.assertEqual(missing, [], "add these to every file in db/basis/languages")


REFUSING = [*(SOURCE / "logger/live" / name for name in (
    "answers.cc", "bench_task.cc", "desk.cc", "page_calibration.cc", "page_server.cc",
    "typed_number.cc")), SOURCE / "logger/verbs/watch.cc", SOURCE / "db/basis/quantity.cc"]

# "does" or "do", "was" or "were": words that only agree with a number.
MAY_DROP = {
    "Run {} has {} that {} not belong to the curve (first at {} s) and carr{} no weight.",
    "Run {}: {} of the speeds {} left out, as a pulse lost or counted twice would make {}.",
}

if __name__ == "__main__":
    unittest.main(argv=sys.argv[:1], verbosity=2)
