#include <fmt/format.h>
#include <fmt/ranges.h>
#include <unistd.h>
#include <nlohmann/json.hpp>

#include <iostream>

#include "db/basis/ask.h"
#include "db/basis/progress.h"
#include "db/exchange/csv_in.h"
#include "db/exchange/typed_points.h"
#include "db/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

CsvOptions csv_options(const Arguments& arguments, const Run& run) {
  CsvOptions options;
  options.columns = arguments.text("columns").value_or("");
  if (const auto mark = arguments.text("decimal")) {
    if (*mark != "point" && *mark != "comma")
      throw Error(Fault::kInput, fmt::format("--decimal is point or comma, not '{}'.", *mark));
    options.decimal = *mark == "point" ? '.' : ',';
  }
  const bool by_hand_wheel =
      run.kind == RunKind::kTopSpeed || (run.kind == RunKind::kCoastDown && run.machine != 0);
  if (by_hand_wheel) options.speed_column = "handwheel_rpm";
  return options;
}

/// Thrown out of an import that is to be asked about.
struct Odd {
  std::string sentence;
};

void require_usual(const Book& book, const Run& stored, const RunSurvey& survey,
                   const std::string& file) {
  std::vector<std::string> found = oddities(book, stored, survey);
  if (const std::int64_t same = same_content(book, stored))
    found.push_back(fmt::format("run {} holds the same rows of the same subject already", same));
  if (found.empty()) return;
  throw Odd{fmt::format("{} looks odd: {}", file, fmt::join(found, "; "))};
}

std::int64_t import_shown(Book& book, CsvTable& table, const Run& run, const JudgeImport& judge) {
  std::optional<Progress> progress;
  return import_table(
      book, table, run,
      [&](double done, double in_all) {
        if (!progress) progress.emplace("import", in_all);
        progress->at(done);
      },
      judge);
}

std::int64_t run_of_file(Book& book, CsvTable& table, const std::string& file, const Run& run,
                         const Arguments& arguments) {
  try {
    return import_shown(
        book, table, run,
        arguments.flag("yes") ? JudgeImport() : [&](const Run& stored, const RunSurvey& survey) {
          require_usual(book, stored, survey, file);
        });
  } catch (const Odd& odd) {
    // Asked while nothing is being written, so that a recorder need not wait for the answer.
    require_meant(arguments, odd.sentence);
    return import_shown(book, table, run, {});
  }
}

std::int64_t run_of_typed(Book& book, const Run& run, const Arguments& arguments) {
  const std::vector<ImportedReading> points = type_points(run.kind, std::cin, std::cerr);
  RunSurvey survey;
  survey.take(points);
  Run steady = run;
  steady.steady = true;
  const std::vector<std::string> found = oddities(book, steady, survey);
  if (!found.empty())
    require_meant(arguments, fmt::format("what was typed looks odd: {}", fmt::join(found, "; ")));
  return store_points(book, points, run);
}

int run_import(const Arguments& arguments) {
  const std::string& file = arguments.name(0, "the CSV file");
  Run run;
  run.kind = needed_run_kind(arguments);
  Book book = Book::open(arguments.book_path(), Book::Mode::kWrite);
  take_run_options(book, arguments, run);
  const bool typed = file == "-" && isatty(STDIN_FILENO) != 0;
  std::optional<CsvTable> table;
  if (!typed) table.emplace(file, csv_options(arguments, run));
  const std::int64_t id =
      typed ? run_of_typed(book, run, arguments) : run_of_file(book, *table, file, run, arguments);
  const Run stored = book.run(id);
  const std::string missing = missing_words(stored);
  if (!missing.empty())
    warn(
        fmt::format("no fit will find run {0}, because a {1} run needs {2}; complete it: "
                    "loadline-db set run {0} {2} …",
                    id, run_kind_name(stored.kind), missing));
  const int above = table ? table->lines_left_out() : 0;
  say(arguments, fmt::format("Run {}: {}, {} reading{} from {}{}.", id, run_kind_name(stored.kind),
                             stored.sample_count, stored.sample_count == 1 ? "" : "s", file,
                             above == 0 ? ""
                                        : fmt::format(", without {} line{} above its header", above,
                                                      above == 1 ? "" : "s")));
  if (arguments.json())
    print_json({{"run", id},
                {"kind", run_kind_name(stored.kind)},
                {"samples", stored.sample_count},
                {"content_hash", stored.content_hash}});
  return 0;
}

}  // namespace

Verb import_verb() {
  Verb verb{
      "import",
      "FILE.csv --kind KIND",
      "read a table of readings as a new run",
      "The first row names the columns: time_s and any of motor_rpm, handwheel_rpm, torque_nm, "
      "supply_v, temperature_c, in any order. Without time_s each row is a steady point, in the "
      "order taken, and may have motor_rpm_sd, handwheel_rpm_sd, torque_nm_sd, supply_v_sd: the "
      "standard uncertainty of that reading. An empty cell is a missing value, time must not run "
      "backwards. Nothing enters the book when anything in the file is wrong. Tables of other "
      "programs are read too: cells between commas, semicolons or tabs, decimal point or comma, "
      "times of day, titles above the header, units below it; a header such as \"Torque [mN·m]\" "
      "is understood, any other is named by "
      "--columns (a proposal is printed). FILE.csv may be - for standard input; at a terminal the "
      "readings of a hand tachometer or a spring balance are then asked for one by one. KIND is "
      "no-load, brake, spin-up, "
      "coast-down, driven, slip-check or top-speed. The torque of a brake run is the reaction "
      "on the brake.",
      "loadline-db import sweep.csv --kind brake --motor \"Drawer 3\" --inertia-kgm2 3e-5",
      1,
      po::options_description("Options"),
      run_import};
  verb.options.add_options()("kind", po::value<std::string>()->value_name(run_kind_choices()),
                             "what was measured")(
      "columns", po::value<std::string>()->value_name("NAME=COLUMN:UNIT,…"),
      "what foreign columns are: 'Drehzahl=motor_rpm,Moment [mNm]=torque_nm:mN·m,Nr=-' ('-' leaves "
      "one out)")("decimal", po::value<std::string>()->value_name("point|comma"),
                  "the decimal mark, where the numbers do not tell");
  add_run_options(verb.options);
  add_yes_option(verb.options);
  add_common_options(verb.options);
  return verb;
}

}  // namespace loadline
