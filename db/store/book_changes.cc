// Book: what was put right of ended runs.
#include <fmt/format.h>
#include <pwd.h>
#include <unistd.h>

#include <utility>

#include "db/sql/text.h"
#include "db/store/book_state.h"

namespace loadline {
namespace {

using Words = std::vector<std::pair<const char*, std::string>>;

std::string number_words(const std::optional<double>& number) {
  return number ? fmt::format("{}", *number) : "";
}

std::string name_of(const Book& book, PartKind kind, std::int64_t id) {
  Statement select(book.handle(),
                   fmt::format("SELECT name FROM {} WHERE id = ?", part_kind_name(kind)));
  return select.with(id).step() ? select.text(0) : "";
}

// All that `set run` can change, under the names of its options.
Words words_of(const Book& book, const Run& run) {
  return {
      {"kind", run_kind_name(run.kind)},
      {"aside", run.aside},
      {"note", run.note},
      {"session", run.session},
      {"on", run.started_utc},
      {"rig", name_of(book, PartKind::kRig, run.rig)},
      {"motor", name_of(book, PartKind::kMotor, run.motor)},
      {"machine", name_of(book, PartKind::kMachine, run.machine)},
      {"belt", name_of(book, PartKind::kBelt, run.belt)},
      {"motor-pulley", name_of(book, PartKind::kPulley, run.motor_pulley)},
      {"hand-pulley", name_of(book, PartKind::kPulley, run.hand_pulley)},
      {"slip-check", run.slip_check ? std::to_string(run.slip_check) : ""},
      {"inertia-kgm2", number_words(run.inertia_kgm2)},
      {"inertia-sd-kgm2", number_words(run.inertia_sd_kgm2)},
      {"added-inertia-kgm2", number_words(run.added_inertia_kgm2)},
      {"supply-v", number_words(run.supply_v)},
      {"tachometer", run.tachometer ? tachometer_name(*run.tachometer) : ""},
      {"pulses", number_words(run.tachometer_pulses)},
  };
}

std::string login_name() {
  const passwd* const entry = getpwuid(geteuid());
  return entry && entry->pw_name ? made_printable(entry->pw_name) : "";
}

}  // namespace

int layout_of(const Book& book) {
  Statement version(book.handle(), "PRAGMA user_version");
  return version.step() ? static_cast<int>(version.whole(0)) : 0;
}

void add_change(Book& book, const RunChange& change) {
  Statement insert(book.handle(),
                   "INSERT INTO run_change (run_id, field, before, after, made_utc, made_by) "
                   "VALUES (?, ?, ?, ?, ?, ?)");
  insert
      .with(change.run, change.field, change.before, change.after,
            change.made_utc.empty() ? utc_now() : change.made_utc, change.made_by)
      .run();
}

void record_changes(Book& book, const Run& before, const Run& after) {
  const Words was = words_of(book, before), is = words_of(book, after);
  for (std::size_t i = 0; i < was.size(); ++i)
    if (was[i].second != is[i].second)
      add_change(book, {after.id, was[i].first, was[i].second, is[i].second, "", login_name()});
}

std::vector<RunChange> Book::changes(std::int64_t run) const {
  if (state_->layout < 2) return {};
  Statement select(handle(),
                   "SELECT run_id, field, before, after, made_utc, made_by FROM run_change "
                   "WHERE run_id = ? ORDER BY id");
  select.with(run);
  std::vector<RunChange> changes;
  while (select.step())
    changes.push_back({select.whole(0), select.text(1), select.text(2), select.text(3),
                       select.text(4), select.text(5)});
  return changes;
}

}  // namespace loadline
