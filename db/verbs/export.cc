#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <filesystem>
#include <iostream>
#include <sstream>

#include "db/basis/new_file.h"
#include "db/basis/progress.h"
#include "db/exchange/csv_out.h"
#include "db/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

/// The run as a file, which may take a while.
std::int64_t write_run(const Book& book, std::int64_t run, std::ostream& out) {
  Progress progress("export", static_cast<double>(book.run(run).sample_count));
  return export_run(book, run, out, [&](double rows) { progress.at(rows); });
}

std::int64_t write_table(const Book& book, const Arguments& arguments, std::ostream& out) {
  const std::string& what =
      arguments.name(0, "what to export (run NUMBER, runs, curves or a kind of part)");
  if (what == "run") {
    const std::int64_t run = run_number(arguments.name(1, "the number of the run"));
    return &out == &std::cout ? export_run(book, run, out) : write_run(book, run, out);
  }
  if (arguments.names().size() > 1)
    throw Error(Fault::kInput, fmt::format("'{}' is one word too many; {} are exported all "
                                           "together.",
                                           arguments.names()[1], what));
  if (what == "runs") return export_runs(book, out);
  if (what == "curves" || what == "curve") return export_curves(book, out);
  return export_parts(book, part_kind_of(what), out);
}

bool holds_something(const std::string& path) {
  std::error_code ignored;
  return std::filesystem::is_regular_file(path, ignored) &&
         std::filesystem::file_size(path, ignored) > 0;
}

// Measurements are not to be had again, so that a file that is there stays.
std::int64_t write_table_to(const Book& book, const Arguments& arguments, const std::string& path) {
  if (!arguments.flag("force") && holds_something(path))
    throw Error(
        Fault::kInput,
        fmt::format("{} is there already; choose another name, or replace it with --force.", path));
  NewFile file(path);
  const std::int64_t rows = write_table(book, arguments, file.stream());
  file.keep();
  return rows;
}

int run_export(const Arguments& arguments) {
  const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
  if (const auto path = arguments.text("output")) {
    const std::int64_t rows = write_table_to(book, arguments, *path);
    say(arguments, fmt::format("Wrote {} rows to {}.", rows, *path));
    if (arguments.json()) print_json({{"file", *path}, {"rows", rows}});
    return 0;
  }
  if (!arguments.json()) {
    write_table(book, arguments, std::cout);
    return 0;
  }
  std::ostringstream csv;
  const std::int64_t rows = write_table(book, arguments, csv);
  print_json({{"rows", rows}, {"csv", csv.str()}});
  return 0;
}

}  // namespace

Verb export_verb() {
  Verb verb{
      "export",
      "run NUMBER | runs | curves | rigs | motors | machines | pulleys | belts",
      "write a run, or a list, as CSV",
      "A run is written under the header that import reads. A recorded run is written as "
      "readings: speed by reciprocal count from one sample to the next (an empty cell where no "
      "edge came in between), torque through the newest calibration of its rig and the run's "
      "zeros. Text that a spreadsheet would take for a formula gets an apostrophe in front.",
      "loadline-db export run 7 -o run7.csv\nloadline-db export motors",
      2,
      po::options_description("Options"),
      run_export};
  verb.options.add_options()("output,o", po::value<std::string>()->value_name("FILE.csv"),
                             "write here instead of standard output")(
      "force", po::bool_switch(), "replace the file of that name if there is one");
  add_common_options(verb.options);
  verb.first_words = "run runs curves rigs motors machines pulleys belts";
  return verb;
}

}  // namespace loadline
