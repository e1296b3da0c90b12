#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "db/basis/progress.h"
#include "db/exchange/csv_in.h"
#include "db/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

// What a later fit will miss; the run is kept all the same and can be completed with `set run`.
std::string missing_words(const Run& run) {
  const bool of_motor = run.kind == RunKind::kBrake || run.kind == RunKind::kNoLoad ||
                        run.kind == RunKind::kSpinUp || run.kind == RunKind::kSlipCheck;
  std::string missing;
  const auto need = [&](bool there, const char* option) {
    if (!there) missing += (missing.empty() ? "" : " and ") + std::string(option);
  };
  if (run.kind == RunKind::kCoastDown && !run.machine && !run.motor) return "--machine or --motor";
  if (run.kind == RunKind::kDriven || run.kind == RunKind::kTopSpeed)
    need(run.machine, "--machine");
  if (of_motor || run.kind == RunKind::kDriven) need(run.motor, "--motor");
  if (run.kind == RunKind::kTopSpeed) need(run.belt, "--belt");
  return missing;
}

int run_import(const Arguments& arguments) {
  const std::string& file = arguments.name(0, "the CSV file");
  Run run;
  run.kind = needed_run_kind(arguments);
  Book book = Book::open(arguments.book_path(), Book::Mode::kWrite);
  take_run_options(book, arguments, run);
  std::optional<Progress> progress;
  const std::int64_t id = import_csv(book, file, run, [&](double done, double in_all) {
    if (!progress) progress.emplace("import", in_all);
    progress->at(done);
  });
  progress.reset();
  const Run stored = book.run(id);
  const std::string missing = missing_words(stored);
  if (!missing.empty())
    warn(
        fmt::format("no fit will find run {0}, because a {1} run needs {2}; complete it: "
                    "loadline-db set run {0} {2} …",
                    id, run_kind_name(stored.kind), missing));
  say(arguments, fmt::format("Run {}: {}, {} reading{} from {}.", id, run_kind_name(stored.kind),
                             stored.sample_count, stored.sample_count == 1 ? "" : "s", file));
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
      "supply_v, temperature_c, in any order. Cells are separated by commas, numbers have a "
      "decimal point, an empty cell is a missing value, time must not run backwards. Nothing "
      "enters the book when anything in the file is wrong. KIND is no-load, brake, spin-up, "
      "coast-down, driven, slip-check or top-speed. The torque of a brake run is the reaction "
      "on the brake.",
      "loadline-db import sweep.csv --kind brake --motor \"Drawer 3\" --inertia-kgm2 3e-5",
      1,
      po::options_description("Options"),
      run_import};
  verb.options.add_options()("kind", po::value<std::string>()->value_name(run_kind_choices()),
                             "what was measured");
  add_run_options(verb.options);
  add_common_options(verb.options);
  return verb;
}

}  // namespace loadline
