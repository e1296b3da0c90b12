#include <fmt/format.h>

#include <map>
#include <set>

#include "db/basis/students_t.h"
#include "fit/report/pages/sections.h"
#include "fit/report/pages/words.h"

namespace loadline {
namespace {

// Names of parts, read once each.
class Names {
 public:
  explicit Names(const Book& book) : book_(book) {}
  std::string of(PartKind kind, std::int64_t id) {
    if (id == 0) return "";
    const auto [at, fresh] = known_.try_emplace({kind, id});
    if (fresh) at->second = book_.part(kind, id).name;
    return at->second;
  }

 private:
  const Book& book_;
  std::map<std::pair<PartKind, std::int64_t>, std::string> known_;
};

Cell maybe(const std::optional<double>& number) { return number ? Cell(*number) : Cell(""); }

bool concerns(const Run& run, const Subjects& subjects) {
  const auto has = [](const std::vector<Subject>& list, std::int64_t id) {
    for (const Subject& subject : list)
      if (subject.part.id == id) return true;
    return false;
  };
  return (run.motor && has(subjects.motors, run.motor)) ||
         (run.machine && has(subjects.machines, run.machine));
}

std::vector<Run> runs_of(const Book& book, const Subjects& subjects) {
  std::vector<Run> runs;
  for (const Run& run : book.runs())
    if (concerns(run, subjects)) runs.push_back(run);
  return runs;
}

std::string mounted(Names& names, const Run& run, const Language& language) {
  std::string words;
  const auto add = [&](const char* what, PartKind kind, std::int64_t id) {
    if (id == 0) return;
    words +=
        fmt::format("{}{} {}", words.empty() ? "" : "; ", language.words(what), names.of(kind, id));
  };
  add("motor", PartKind::kMotor, run.motor);
  add("machine", PartKind::kMachine, run.machine);
  add("belt", PartKind::kBelt, run.belt);
  add("motor pulley", PartKind::kPulley, run.motor_pulley);
  add("hand pulley", PartKind::kPulley, run.hand_pulley);
  return words;
}

void runs_table(Page& page, const Book& book, const std::vector<Run>& runs) {
  Names names(book);
  Table table{"runs",
              "Runs",
              {{"Run", "", false},
               {"Kind", "", false, true},
               {"Started", "", false},
               {"Mounted", "", false},
               {"From", "", false},
               {"Supply", "V", false},
               {"Inertia", "kg·m²", false},
               {"Added inertia", "kg·m²", false},
               {"Samples", "", false},
               {"State", "", false},
               {"Note", "", false},
               {"Written by", "", false}},
              {}};
  for (const Run& run : runs) {
    const std::string from =
        run.source == RunSource::kRig
            ? page.language().words("rig") + " " + names.of(PartKind::kRig, run.rig)
            : page.language().words(run_source_name(run.source));
    table.rows.push_back({std::to_string(run.id), std::string(run_kind_name(run.kind)),
                          day_and_minute(run.started_utc), mounted(names, run, page.language()),
                          from, maybe(run.supply_v), maybe(run.inertia_kgm2),
                          maybe(run.added_inertia_kgm2), std::to_string(run.sample_count),
                          run.aside.empty() ? page.language().words(run_state_name(run.state))
                                            : page.language().words("put aside") + ": " + run.aside,
                          run.note, run.program_version});
  }
  page.table(without_empty_columns(std::move(table)));
}

void events_table(Page& page, const Book& book, const std::vector<Run>& runs) {
  Table table{"events",
              "What happened during these runs",
              {{"Run", "", false},
               {"Event", "", false, true},
               {"Length", "s", false},
               {"", "", false, true}},
              {}};
  for (const Run& run : runs)
    for (const RunEvent& event : book.events(run.id))
      table.rows.push_back({std::to_string(run.id), std::string(event_kind_name(event.kind)),
                            event.length_s, event.detail});
  table.columns[3].heading = "In words";
  if (!table.rows.empty()) page.table(std::move(table));
}

void zeros_table(Page& page, const Book& book, const std::vector<Run>& runs) {
  Table table{"zeros",
              "Zeros of the load cell, before and after",
              {{"Run", "", false},
               {"When", "", false, true},
               {"Mean", "counts", false},
               {"Scatter of one conversion", "counts", false},
               {"Conversions", "", false}},
              {}};
  for (const Run& run : runs)
    for (const Zero& zero : book.zeros(run.id))
      table.rows.push_back({std::to_string(run.id), std::string(zero_moment_name(zero.when)),
                            zero.mean_counts, zero.sd_counts, std::to_string(zero.conversions)});
  if (!table.rows.empty()) page.table(std::move(table));
}

void calibrations_table(Page& page, const Part& rig, const std::vector<Calibration>& calibrations,
                        std::size_t number) {
  Table table{"calibrations-" + slug(rig.name, number),
              "Calibrations of rig " + rig.name,
              {{"Made", "", false},
               {"Slope", "N per million counts", true},
               {"Arm", "mm", true},
               {"Left over", "N", false},
               {"Local g", "m/s²", false},
               {"Why this line", "", false, true}},
              {}};
  for (const Calibration& one : calibrations) {
    const double factor = student_t_975(one.degrees_of_freedom > 0 ? one.degrees_of_freedom : 1e9);
    table.rows.push_back(
        {day_and_minute(one.made_utc),
         Estimate::with_half_width(one.slope_n_per_count * 1e6, factor * one.slope_sd * 1e6,
                                   "N per million counts"),
         Estimate::with_half_width(one.arm_m * 1e3, 1.96 * one.arm_sd_m * 1e3, "mm"),
         one.residual_sd_n, fmt::format("{:.5f}", one.local_g), one.reason});
  }
  page.table(std::move(table));
}

void rigs(Page& page, const Book& book, const std::vector<Run>& runs) {
  std::set<std::int64_t> used;
  for (const Run& run : runs)
    if (run.rig) used.insert(run.rig);
  std::size_t number = 0;
  for (const std::int64_t id : used) {
    const Part rig = book.part(PartKind::kRig, id);
    const std::vector<Calibration> calibrations = book.calibrations(id);
    if (!calibrations.empty()) calibrations_table(page, rig, calibrations, ++number);
  }
}

}  // namespace

void sources_section(Page& page, const Book& book, const Subjects& subjects) {
  const std::vector<Run> runs = runs_of(book, subjects);
  if (runs.empty()) return;
  page.turn_to(Page::Part::kExpert);
  page.section("sources", "Where these numbers come from");
  page.paragraph(
      "Samples are kept raw and never altered; a later calibration makes new readings of old runs. "
      "With these runs, the calibrations below and the same version of Loadline the figures above "
      "can be worked out again.");
  runs_table(page, book, runs);
  events_table(page, book, runs);
  zeros_table(page, book, runs);
  rigs(page, book, runs);
  page.turn_to(Page::Part::kFront);
}

}  // namespace loadline
