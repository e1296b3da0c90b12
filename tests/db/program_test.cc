// loadline-db as a command: the fixed words of its contract, exit statuses, and hostile names.
#include <doctest/doctest.h>

#include "db/book.h"
#include "db/sql/statement.h"
#include "tests/db/filled_book.h"
#include "tests/support/program.h"

namespace loadline {
namespace {

using testing::Outcome;
using testing::Scratch;

struct Bench : Scratch {
  Outcome db(const std::string& words, const std::string& before = "") const {
    return testing::run_program(*this, LOADLINE_DB_PROGRAM, words, before);
  }
};

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

// One argument for the shell, whatever is in it.
std::string quoted(const std::string& word) {
  std::string out = "'";
  for (const char c : word) out += c == '\'' ? std::string("'\\''") : std::string(1, c);
  return out + "'";
}

const char* const kSweep = "time_s,motor_rpm,torque_nm\n0,9000,0.1\n0.1,8000,0.2\n0.2,7000,\n";

TEST_CASE("from an empty folder to a run that is listed, shown and exported") {
  const Bench bench;
  CHECK(bench.db("init").status == 0);
  CHECK(bench.db("add motor 'Drawer 3' --rated-v 230 --rated-hz 50 --shaft-mm 6.35 --max-rpm 9000")
            .status == 0);
  bench.write("sweep.csv", kSweep);
  const Outcome imported =
      bench.db("import sweep.csv --kind brake --motor 'Drawer 3' --inertia-kgm2 3e-5 --json");
  CHECK(imported.status == 0);
  CHECK(imported.json()["run"] == 1);
  CHECK(bench.db("list runs --json").json()["runs"][0]["motor"] == "Drawer 3");
  CHECK(bench.db("show run 1 --json").json()["inertia_kgm2"] == 3e-5);
  CHECK(bench.db("show motor 'Drawer 3' --json").json()["rated_v"] == 230);
  CHECK(bench.db("export run 1").out == kSweep);
}

TEST_CASE("the book is named by --book, else by LOADLINE_BOOK, else it is bench.book") {
  const Bench bench;
  bench.db("init --book a.book");
  bench.db("init", "LOADLINE_BOOK=b.book");
  bench.db("init");
  CHECK(std::filesystem::exists(bench.path("a.book")));
  CHECK(std::filesystem::exists(bench.path("b.book")));
  CHECK(std::filesystem::exists(bench.path("bench.book")));
}

TEST_CASE("--book and --json may stand before the verb as well") {
  const Bench bench;
  CHECK(bench.db("--book first.book init").status == 0);
  CHECK(bench.db("--book=first.book add motor A").status == 0);
  const Outcome before = bench.db("--json --book first.book list motors");
  CHECK(before.status == 0);
  CHECK(before.out == bench.db("list motors --book first.book --json").out);
  CHECK(has(before.out, "\"A\""));
  CHECK(has(bench.db("--book first.book").out, "Next"));
  CHECK(bench.db("--nonsense list").status == 2);
}

TEST_CASE("a damaged curve is named and hides neither the others nor the way to them") {
  const Bench bench;
  {
    Book book = Book::open(bench.path("bench.book"), Book::Mode::kCreate);
    testing::fill(book);
    StoredCurve again = book.curves().at(0);
    again.uuid = "";
    book.add_curve(again);
    execute(book.handle(), "UPDATE curve SET parameters = '[1' WHERE id = 1");
  }
  const Outcome listed = bench.db("list curves --json");
  CHECK(listed.status == 0);
  REQUIRE(listed.json()["curves"].size() == 1);
  CHECK(listed.json()["curves"][0]["curve"] == 2);
  CHECK(has(listed.err, "curve 1 in the book is damaged"));
  CHECK(bench.db("list curves --names").out == "1\n2\n");
  CHECK(bench.db("show curve 2").status == 0);
  CHECK(bench.db("show curve 1").status == 4);
}

TEST_CASE("a second init says that the book exists and leaves it as it is") {
  const Bench bench;
  CHECK(has(bench.db("init").out, "Made the book bench.book"));
  bench.db("add motor M");
  const std::string before = testing::bytes_of(bench.path("bench.book"));
  const Outcome again = bench.db("init");
  CHECK(again.status == 0);
  CHECK(has(again.out, "The book bench.book exists already and was left untouched"));
  CHECK(bench.db("init --json").json()["made"] == false);
  CHECK(testing::bytes_of(bench.path("bench.book")) == before);
  CHECK(bench.db("list --json").json()["motors"] == 1);
  bench.write("text.book", "no book");
  CHECK(bench.db("init --book text.book").status == 4);
  // A file without a byte is nothing that could be lost.
  bench.write("empty.book", "");
  CHECK(bench.db("init --json --book empty.book").json()["made"] == true);
}

TEST_CASE("with --json standard output holds one document and nothing else") {
  const Bench bench;
  bench.write("sweep.csv", kSweep);
  for (const std::string& words : std::vector<std::string>{
           "init --json", "add motor M --json", "set motor M --max-rpm 100 --json",
           "import sweep.csv --kind brake --motor M --json", "set run 1 --supply-v 230 --json",
           "list --json", "list motors --json", "list runs --json", "list curves --json",
           "show motor M --json", "show run 1 --json", "export run 1 --json",
           "export motors -o m.csv --json"}) {
    CAPTURE(words);
    const Outcome outcome = bench.db(words);
    CHECK(outcome.status == 0);
    CHECK_NOTHROW((void)outcome.json());
  }
}

TEST_CASE("a program alone says where the evening stands; without a book it asks for a verb") {
  const Bench bench;
  const Outcome without = bench.db("");
  CHECK(without.status == 2);
  CHECK(has(without.err, "a verb is missing"));
  bench.db("init");
  const Outcome with = bench.db("");
  CHECK(with.status == 0);
  CHECK(has(with.out, "Next"));
  CHECK(bench.db("--book bench.book").out == with.out);
  CHECK(bench.db("--book nowhere.book").status == 2);
}

TEST_CASE("wrong words end in one sentence and the right status") {
  struct Row {
    const char* words;
    int status;
    const char* says;
  };
  const Bench bench;
  bench.db("init");
  bench.db("add motor 'Heron 90'");
  bench.db("add belt B");
  bench.write("sweep.csv", kSweep);
  bench.db("import sweep.csv --kind brake --motor 'Heron 90'");
  const Row table[] = {
      {"frobnicate", 2, "is no verb"},
      {"add", 2, "the kind of part is missing"},
      {"add spoon X", 2, "'spoon' is no kind of part"},
      {"add motor", 2, "the name of the motor is missing"},
      {"add motor ''", 2, "is empty"},
      {"add motor 'Heron 90'", 2, "already a motor named 'Heron 90'"},
      {"add motor X --shaft-mm abc", 2, "shaft-mm"},
      {"add motor X --shaft-mm nan", 2, "--shaft-mm must be a finite number"},
      {"add motor X --shaft-mm 0", 2, "--shaft-mm 0 is outside 0.5 to 100"},
      {"add motor X --groove-top-mm 5", 2, "a motor has no --groove-top-mm (a pulley has)"},
      {"add motor X --type steam", 2,
       "cannot be 'steam'; choose series, permanent-magnet, induction or unknown"},
      {"add motor Heron 90", 2, "is one word too many"},
      {"add motor X --shaft-mm %value%", 2, "--shaft-mm '%value%' is not a number"},
      {"add motor X --%canonical_option%", 2, "there is no option '--%canonical_option%'"},
      {"add motor X --shaft-mm", 2, "--shaft-mm needs a value after it"},
      {"add motor X --shaft-mm 6kg", 2, "'kg' is no unit for it"},
      {"add motor X --shaft-m 6", 2, "did you mean '--shaft-mm'?"},
      {"add motor X --shaft-mm 6 --shaft-mm 7", 2, "--shaft-mm is given more than once"},
      {"add motor X --json=yes", 2, "--json takes no value"},
      {"add motor '  '", 2, "is empty"},
      {"addd motor X", 2, "did you mean 'add'?"},
      {"set motor 'Heron 90'", 2, "nothing is given that could change"},
      {"set motor 'Heron 90' --supply-v 3", 2, "a motor has no --supply-v"},
      {"set run 1 --max-rpm 3", 2, "a run has no --max-rpm"},
      {"set run 1 --supply-v 1e9", 2, "--supply-v takes values from 0 to 10000 only"},
      {"list motors --kind brake", 2, "--kind narrows the list of runs only"},
      {"list motors --names --json", 2, "exclude each other"},
      {"show 'Heron 90'", 2, "loadline-db show motor 'Heron 90'"},
      {"show machine X", 2, "there is no machine in the book bench.book yet"},
      {"backup nowhere/b.book", 4, "the folder of nowhere/b.book does not exist"},
      {"init --book /proc/b.book", 4, "/proc/b.book cannot be opened or made"},
      {"set motor Nemo --max-rpm 5", 2, "no motor named 'Nemo'"},
      {"set motor 'Heron 90' --forget rated-v", 2, "has no rated-v to forget"},
      {"show motor 'heron 9O'", 2, "did you mean 'Heron 90'?"},
      {"show run 7", 2, "there is no run 7"},
      {"show run x", 2, "is no number of a run"},
      {"show curve 7", 2, "there is no curve 7"},
      {"export run 7", 2, "there is no run 7"},
      {"import sweep.csv", 2, "--kind is missing"},
      {"import sweep.csv --kind sweep", 2, "'sweep' is no kind of run"},
      {"import nowhere.csv --kind brake", 2, "nowhere.csv cannot be read"},
      {"import . --kind brake", 2, "is a folder"},
      {"import sweep.csv --kind brake --motor B", 2, "no motor named 'B'"},
      {"import sweep.csv --kind brake --belt 'Heron 90'", 2, "no belt named 'Heron 90'"},
      {"import sweep.csv --kind top-speed --slip-check 1", 2, "run 1 is a brake run"},
      {"import sweep.csv --kind top-speed --slip-check 99", 2, "there is no run 99"},
      {"import sweep.csv --kind coast-down --inertia-kgm2=-1", 2, "must not be negative"},
      {"list motors --book nowhere.book", 4, "there is no book at nowhere.book"},
      {"list motors --book .", 4, "is a folder"},
      {"list motors --book sweep.csv", 4, "is not a book"},
  };
  for (const Row& row : table) {
    CAPTURE(std::string(row.words));
    const Outcome outcome = bench.db(row.words);
    CHECK(outcome.status == row.status);
    CHECK(has(outcome.err, row.says));
    CHECK(outcome.out.empty());
    CHECK(std::count(outcome.err.begin(), outcome.err.end(), '\n') == 1);
  }
  CHECK(bench.db("list --json").json()["runs"] == 1);
  CHECK(bench.db("list --json").json()["motors"] == 1);
}

TEST_CASE("names with anything in them go through the book, JSON and CSV unharmed") {
  const Bench bench;
  bench.db("init");
  bench.write("sweep.csv", kSweep);
  const std::vector<std::string> names = {
      "plain",
      "it's",
      "a \"quoted\" one",
      "a,b;c",
      "Robert'); DROP TABLE motor;--",
      "<script>alert(1)</script>&amp;",
      "\xF0\x9F\xA7\xB5 Spule \xE2\x84\x96 3 \xC3\x9F",
      "%s%n%d {} {0}",
      "back\\slash",
      "* ? [x]",
      " leading and trailing ",
      "null",
      "--",
  };
  int run = 0;
  for (const std::string& name : names) {
    CAPTURE(name);
    CHECK(bench.db("add motor --note 'n' -- " + quoted(name)).status == 0);
    if (name == "--") continue;
    const Outcome imported =
        bench.db("import sweep.csv --kind brake --json --motor=" + quoted(name));
    CHECK(imported.status == 0);
    ++run;
    CHECK(bench.db("show run " + std::to_string(run) + " --json").json()["motor"] == name);
    CHECK(bench.db("show motor " + quoted(name) + " --json").json()["name"] == name);
  }
  CHECK(bench.db("list motors --json").json()["motors"].size() == names.size());
}

TEST_CASE("a name with a control character or broken UTF-8 is refused") {
  const Bench bench;
  bench.db("init");
  for (const std::string& name :
       {std::string("line\nbreak"), std::string("tab\t"), std::string("bell\a"),
        std::string("\x7F"), std::string("\xC2\x85"), std::string("\xC0\xAF"),
        std::string("\xED\xA0\x80"), std::string("\xF4\x90\x80\x80"), std::string("cut \xE2\x82"),
        std::string(201, 'x')}) {
    CAPTURE(name);
    CHECK(bench.db("add motor " + quoted(name)).status == 2);
  }
  CHECK(bench.db("add motor " + quoted(std::string(200, 'x')) + " --note 'two\nlines\tand a tab'")
            .status == 0);
  CHECK(bench.db("list motors --json").json()["motors"].size() == 1);
}

TEST_CASE("what another program wrote into a book gives a terminal no orders") {
  const Bench bench;
  bench.db("init");
  bench.db("add motor Heron");
  // Cursor, colour, window title by the two-byte form of OSC (ECMA-48 sections 5.4 and 8.3).
  const std::string sql =
      "UPDATE motor SET name = 'a' || char(27) || '[2J' || char(155) || '31m' || char(7, 127)";
  const std::string command = "sqlite3 " + quoted(bench.path("bench.book")) + " " + quoted(sql);
  REQUIRE(std::system(command.c_str()) == 0);
  for (const char* words : {"list motors", "export motors", "show motor nobody"}) {
    CAPTURE(words);
    const Outcome said = bench.db(words);
    for (const std::string& text : {said.out, said.err})
      for (const char* order : {"\x1b", "\xC2\x9B", "\a", "\x7F"}) CHECK_FALSE(has(text, order));
    CHECK(has(said.out + said.err, "a?[2J?31m??"));
  }
}

TEST_CASE("a book whose label was altered is named as that") {
  const Bench bench;
  REQUIRE(bench.db("init").status == 0);
  for (const char* label : {"0", "-3"}) {
    sqlite3* db = nullptr;
    REQUIRE(sqlite3_open(bench.path("bench.book").c_str(), &db) == SQLITE_OK);
    execute(db, std::string("PRAGMA user_version = ") + label);
    sqlite3_close(db);
    const Outcome again = bench.db("init");
    CHECK(again.status == 4);
    CHECK(has(again.err, "its label was altered"));
    CHECK(bench.db("list").status == 4);
  }
}

TEST_CASE("a spreadsheet finds no formula in what is exported") {
  const Bench bench;
  bench.db("init");
  Book book = Book::open(bench.path("bench.book"), Book::Mode::kWrite);
  for (const char* name : {"=1+1", "+cmd", "-2", "@SUM(A1)", "ok"}) {
    Part part;
    part.kind = PartKind::kBelt;
    part.name = name;
    part.note = std::string(name) + ",\"x\"\nsecond";
    book.add(part);
  }
  const std::string csv = bench.db("export belts").out;
  for (const char* guarded : {"'=1+1,", "'+cmd,", "'-2,", "'@SUM(A1),"}) {
    CAPTURE(guarded);
    CHECK(has(csv, std::string("\n") + guarded));
  }
  CHECK(has(csv, "\nok,"));
  CHECK(has(csv, "\"'=1+1,\"\"x\"\"\nsecond\""));
}

TEST_CASE("an export that cannot be written leaves no file behind") {
  const Bench bench;
  bench.db("init");
  CHECK(bench.db("export run 3 -o out.csv").status == 2);
  CHECK(bench.db("export motors -o nowhere/out.csv").status == 2);
  CHECK_FALSE(std::filesystem::exists(bench.path("out.csv")));
  CHECK_FALSE(std::filesystem::exists(bench.path("out.csv.part")));
}

TEST_CASE("an export replaces a file only with --force, and a book never") {
  const Bench bench;
  bench.db("init");
  bench.db("add motor M");
  const std::string mine = bench.write("m.csv", "mine");
  const Outcome refused = bench.db("export motors -o m.csv");
  CHECK(refused.status == 2);
  CHECK(
      has(refused.err, "m.csv is there already; choose another name, or replace it with --force"));
  CHECK(testing::bytes_of(mine) == "mine");
  bench.write("empty.csv", "");  // as a script's mktemp leaves it
  CHECK(bench.db("export motors -o empty.csv").status == 0);
  // A link is written through, so that it stays one.
  std::filesystem::create_symlink("m.csv", bench.path("link.csv"));
  CHECK(bench.db("export motors -o link.csv --force").status == 0);
  CHECK(std::filesystem::is_symlink(bench.path("link.csv")));
  CHECK(has(testing::bytes_of(mine), "\nM,"));
  CHECK(bench.db("export motors -o /dev/null").status == 0);
  const std::string book = testing::bytes_of(bench.path("bench.book"));
  const Outcome slip = bench.db("export motors -o bench.book --force");
  CHECK(slip.status == 2);
  CHECK(has(slip.err, "bench.book is a book and is not written over"));
  CHECK(testing::bytes_of(bench.path("bench.book")) == book);
  CHECK_FALSE(std::filesystem::exists(bench.path("bench.book.part")));
}

TEST_CASE("every verb has help with an example") {
  const Bench bench;
  for (const char* verb : {"init", "add", "set", "list", "show", "import", "export"}) {
    const Outcome help = bench.db(std::string(verb) + " --help");
    CHECK(help.status == 0);
    CHECK(has(help.out, std::string("Example:\n  loadline-db ") + verb));
  }
  CHECK(has(bench.db("--version").out, "loadline-db "));
}

}  // namespace
}  // namespace loadline
