// Texts of a page in another language. The entries that are used here are written here, as a
// second file would write them, or are the German ones; what is expected is written by hand, with
// the marks of German numbers as in the Unicode CLDR (de: decimal comma, groups by full stops).
#include <doctest/doctest.h>

#include <cstdlib>

#include "db/basis/error.h"
#include "db/basis/language.h"

using loadline::Error;
using loadline::Language;

namespace {

Language german() { return Language::named("de"); }

void set_locale(const char* all, const char* messages, const char* lang) {
  const auto set = [](const char* name, const char* value) {
    value ? setenv(name, value, 1) : unsetenv(name);
  };
  set("LC_ALL", all);
  set("LC_MESSAGES", messages);
  set("LANG", lang);
}

}  // namespace

TEST_CASE("English says everything as it is") {
  const Language english;
  CHECK(english.code() == "en");
  CHECK(english.words("What is this?") == "What is this?");
  CHECK(english.number("1,234.5 (1,200.0 to 1,300.0) rpm") == "1,234.5 (1,200.0 to 1,300.0) rpm");
  CHECK(english.untranslated().empty());
}

TEST_CASE("numbers are written as the language writes them, whatever they are") {
  const Language language = german();
  CHECK(language.number("1,234.5 (1,200.0 to 1,300.0) rpm") ==
        "1.234,5 (1.200,0 bis 1.300,0) U/min");
  CHECK(language.number("0.3369 (0.3317 to 0.3422) N·m") == "0,3369 (0,3317 bis 0,3422) N·m");
  CHECK(language.number("7.94e-06") == "7,94e-06");
  CHECK(language.number("-0.92 (-1.27 to -0.58)") == "-0,92 (-1,27 bis -0,58)");
  CHECK(language.number("1, 2, 13") == "1, 2, 13");  // a list keeps its commas
  CHECK(language.number("unknown") == "unbekannt");
  CHECK(language.number("2026-11-25 18:03") == "2026-11-25 18:03");
  CHECK(language.number("0.1.0") == "0.1.0");  // a version is no number
  // A name is left alone even where it holds a number.
  CHECK(language.number("Motor 1.5") == "Motor 1.5");
}

TEST_CASE("an entry is known by its text, names stay, numbers and words are said") {
  const Language language = german();
  CHECK(language.words("Torque of the motors") == "Drehmoment der Motoren");
  CHECK(language.words("Torque of Torque of x") == "Drehmoment von Torque of x");
  CHECK(language.words("motor Heron 70 with pulley motor 20 and belt notched") ==
        "Motor Heron 70 mit Motorscheibe motor 20 und Riemen notched");
  // A name that holds a word of the entry's own: what is said of it must be known, so it comes out.
  CHECK(language.words("Put motor A and B with pulley P and belt Q on Wren: 1,387 (1,385 to 1,389) "
                       "stitches a minute, the motor at 7,717 rpm.") ==
        "Auf Wren gehört Motor A and B mit Motorscheibe P und Riemen Q: 1.387 (1.385 bis 1.389) "
        "Stiche je Minute, der Motor bei 7.717 U/min.");
  CHECK(language.untranslated().empty());
}

TEST_CASE("sentences in a row are said one by one, and keep their beginnings and ends") {
  const Language language = german();
  CHECK(language.words("no drift over the session (p = 0.08)") ==
        "Keine Drift über den Abend (p = 0,08)");
  CHECK(language.words("Every belt was measured. It may need a push to start.") ==
        "Jeder Riemen wurde gemessen. Zum Anlaufen kann ein Stoß von Hand nötig sein.");
  CHECK(language.words("it names no belt; it holds no speed") ==
        "er nennt keinen Riemen; er enthält keine Drehzahl");
  // No name may swallow the sentence before it.
  CHECK(language.words("Every belt was measured. Finch: from 2.00 to 9.20 the seam stops it.") ==
        "Jeder Riemen wurde gemessen. Finch: Von 2,00 bis 9,20 hält die dicke Stelle sie an.");
  CHECK(language.untranslated().empty());
}

TEST_CASE("what cannot be said stays English, whole, and is kept") {
  const Language language = german();
  const std::string odd = "Every belt was measured. Nobody has an entry for this.";
  CHECK(language.words(odd) == odd);
  CHECK(language.words("run 7 jumps") == "run 7 jumps");
  CHECK(language.untranslated() == std::set<std::string>{odd, "run 7 jumps"});
}

TEST_CASE("hostile texts end soon") {
  const Language language = german();
  std::string long_one = "Put ";
  for (int i = 0; i < 3000; ++i) long_one += " on : , the motor at with pulley and belt. ";
  CHECK(language.words(long_one) == long_one);
  const std::string shorter = long_one.substr(0, 3900);
  CHECK(language.words(shorter) == shorter);
  std::string sentences;
  for (int i = 0; i < 100; ++i) sentences += "It may need a push to start. ";
  sentences += "Nobody has an entry for this.";
  CHECK(language.words(sentences) == sentences);
}

TEST_CASE("the locale decides as POSIX says, and an unknown one is English") {
  set_locale("de_DE.UTF-8", "en_GB.UTF-8", "en_GB.UTF-8");
  CHECK(Language::of_locale().code() == "de");
  set_locale(nullptr, "de_AT", "en_GB.UTF-8");
  CHECK(Language::of_locale().code() == "de");
  set_locale("", "", "de");
  CHECK(Language::of_locale().code() == "de");
  set_locale("C.UTF-8", "de_DE", "de_DE");
  CHECK(Language::of_locale().code() == "en");
  set_locale(nullptr, nullptr, "xx_YY");
  CHECK(Language::of_locale().code() == "en");
  set_locale(nullptr, nullptr, "den_XX");  // no other language that begins alike
  CHECK(Language::of_locale().code() == "en");
  CHECK_THROWS_AS(Language::named("xx"), Error);
}
