#include "fit/report/report.h"

#include <fmt/chrono.h>
#include <fmt/format.h>

#include <ctime>

#include "db/basis/new_file.h"
#include "fit/report/pages/sections.h"
#include "fit/report/pages/verdicts.h"
#include "fit/report/pages/words.h"

namespace loadline {
namespace {

// Shares of the time that a report of several motors and machines takes.
constexpr double kBeforePairs = 0.1, kPairs = 0.7, kBelts = 0.15;

std::string today_utc() {
  return fmt::format("{:%Y-%m-%d %H:%M} UTC", fmt::gmtime(std::time(nullptr)));
}

std::filesystem::path made_folder(const std::filesystem::path& folder) {
  std::error_code error;
  std::filesystem::create_directories(folder, error);
  if (!std::filesystem::is_directory(folder))
    throw Error(Fault::kInput, fmt::format("'{}' cannot be made a folder ({}); name another one.",
                                           folder.string(), error.message()));
  return folder;
}

}  // namespace

void care_section(Page& page) {
  page.cautions("Before anything turns", care_sentences());
  for (const std::string& sentence : reading_sentences()) page.paragraph(sentence);
}

Page make_report(const Book& book, const ReportRequest& request,
                 const std::function<void(double)>& progress) {
  const std::filesystem::path path(book.path());
  const Subjects subjects = find_subjects(book, request.motors, request.machines);
  if (subjects.motors.empty() && subjects.machines.empty())
    throw Error(Fault::kInput,
                fmt::format("{} holds no motor and no machine to report on; loadline-db add makes "
                            "them.",
                            book.path()));
  const Language& language = request.language;
  Page page(request.title.empty()
                ? language.words(fmt::format("Bench report: {}", path.stem().string()))
                : request.title,
            language.words(fmt::format("From {}, {}. Loadline {}.", path.filename().string(),
                                       today_utc(), LOADLINE_VERSION)),
            language);
  const std::vector<Verdict> verdicts = find_verdicts(book, subjects);
  verdict_section(page, verdicts);
  care_section(page);
  candidates_section(page, verdicts);
  summary_section(page, subjects);
  motors_section(page, subjects);
  machines_section(page, subjects);
  history_section(page, book, subjects);
  progress(kBeforePairs);
  pairs_section(page, book, subjects, verdicts,
                [&](double share) { progress(kBeforePairs + share * kPairs); });
  belts_section(page, book, subjects);
  progress(kBeforePairs + kPairs + kBelts);
  notes_section(page, book, subjects);
  parts_section(page, book);
  sources_section(page, book, subjects);
  progress(1);
  return page;
}

std::size_t write_tables(const Page& page, const std::filesystem::path& folder) {
  made_folder(folder);
  for (const Table& table : page.tables()) write_file(folder / (table.id + ".csv"), to_csv(table));
  return page.tables().size();
}

std::size_t write_plots(const Page& page, const std::filesystem::path& folder) {
  made_folder(folder);
  for (const Plot& plot : page.plots())
    write_file(folder / (plot.id + ".svg"), to_svg(plot, true, page.language()));
  return page.plots().size();
}

}  // namespace loadline
