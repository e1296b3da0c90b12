// loadline-fit report: everything about motors and machines as one page.
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <optional>

#include "db/basis/new_file.h"
#include "db/basis/progress.h"
#include "fit/report/report.h"
#include "fit/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

// A page without the curves that were asked for looks finished.
void warn_without_curve(const Book& book, const Part& part) {
  const bool machine = part.kind == PartKind::kMachine;
  if (!book.latest_curve(machine, part.id))
    warn(
        fmt::format("{} '{}' has no curve yet, so the page says little about it; run: loadline-fit "
                    "{} '{}'",
                    part_kind_name(part.kind), part.name, machine ? "drag" : "motor", part.name));
}

int run_report(const Arguments& arguments) {
  const auto file = arguments.text("output");
  if (!file)
    throw Error(Fault::kInput, "report needs a file to write: add -o FILE.html to the command.");
  const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
  const ReportRequest request{
      arguments.text("title").value_or(""), arguments.texts("motor"), arguments.texts("machine"),
      arguments.has("lang") ? Language::named(*arguments.text("lang")) : Language::of_locale()};
  std::optional<Progress> progress(std::in_place, "report", 1);
  const Page page = make_report(book, request, [&](double done) { progress->at(done); });
  progress.reset();
  const std::string document = page.finish();
  Json done{{"file", *file},
            {"plots", page.plots().size()},
            {"tables", page.tables().size()},
            {"language", page.language().code()},
            {"untranslated", page.language().untranslated()}};
  write_file(*file, document);
  if (const auto folder = arguments.text("csv")) {
    write_tables(page, *folder);
    done["csv"] = *folder;
  }
  if (const auto folder = arguments.text("svg")) {
    write_plots(page, *folder);
    done["svg"] = *folder;
  }
  if (arguments.json()) print_json(done);
  for (const PartKind kind : {PartKind::kMotor, PartKind::kMachine})
    for (const std::string& name : arguments.texts(part_kind_name(kind)))
      warn_without_curve(book, book.get(kind, name));
  say(arguments,
      fmt::format("Wrote {} with {} plots and {} tables. Open it in any browser; it needs "
                  "no network.",
                  *file, page.plots().size(), page.tables().size()));
  return 0;
}

}  // namespace

Verb report_verb() {
  po::options_description options("Options");
  options.add_options()("output,o", po::value<std::string>()->value_name("FILE.html"),
                        "the page to write; one that is there is replaced");
  options.add_options()("motor", po::value<std::vector<std::string>>()->value_name("M"),
                        "only this motor; may be given several times");
  options.add_options()("machine", po::value<std::vector<std::string>>()->value_name("K"),
                        "only this machine; may be given several times");
  options.add_options()("title", po::value<std::string>()->value_name("TEXT"),
                        "heading of the page");
  options.add_options()("lang", po::value<std::string>()->value_name("LANGUAGE"),
                        "language of the page: en or de (else that of LC_ALL, LC_MESSAGES, LANG)");
  options.add_options()("csv", po::value<std::string>()->value_name("DIR"),
                        "also write every table as a CSV file (in English) into this folder");
  options.add_options()("svg", po::value<std::string>()->value_name("DIR"),
                        "also write every plot as an SVG file into this folder");
  add_common_options(options);
  return {
      "report",
      "[--motor M]… [--machine K]… -o FILE.html",
      "write one page with all curves, drives, belts and their sources",
      "One self-contained HTML file: first what to put on each machine and how sure that is; then "
      "the motors over each other, the drag of each machine, where they settle over the ratio with "
      "a slider, and the belts compared. Parts drawn to scale, and all that an expert asks for, "
      "stand in parts that fold. It opens offline and prints well; a fold is printed when it is "
      "open.\n\nCurves are those fitted last (loadline-fit motor, loadline-fit drag).",
      "loadline-fit report -o report.html\n"
      "loadline-fit report --motor \"Heron 70\" --machine \"Wren 3\" -o wren.html --csv tables",
      0,
      options,
      run_report};
}

}  // namespace loadline
