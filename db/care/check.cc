#include "db/care/check.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <cmath>
#include <limits>
#include <map>
#include <set>

#include "db/basis/estimate.h"
#include "db/care/pictures.h"
#include "db/schema/schema.h"
#include "db/sql/text.h"
#include "db/store/book_state.h"
#include "db/store/impossible.h"

namespace loadline {
namespace {

constexpr std::size_t kMostOfAKind = 20;

/// Where the checks put what they find.
class Findings {
 public:
  explicit Findings(CheckResult& result) : result_(result) {}
  void add(const std::string& where, const std::string& what) {
    result_.findings.push_back({where, what});
  }

 private:
  CheckResult& result_;
};

// Looks at the rows of a table one by one; where one does not read the others still say what they
// can.
void look_at_each(sqlite3* db, const char* table, Findings& findings,
                  const std::function<void(std::int64_t)>& look) {
  for (const std::int64_t id : row_numbers(db, table)) {
    try {
      look(id);
    } catch (const Damaged& damage) {
      findings.add(fmt::format("{} {}", table, id), damage.what());
    }
  }
}

void check_file(sqlite3* db, Findings& findings) {
  Statement check(db, fmt::format("PRAGMA integrity_check({})", kMostOfAKind));
  while (check.step())
    if (check.text(0) != "ok") findings.add("file", check.text(0));
}

void check_references(sqlite3* db, Findings& findings) {
  Statement check(db, "PRAGMA foreign_key_check");
  for (std::size_t n = 0; check.step() && n < kMostOfAKind; ++n)
    findings.add(fmt::format("{} {}", check.text(0), check.whole(1)),
                 fmt::format("refers to a {} that is not in the book", check.text(2)));
}

std::set<std::string> guards_of(sqlite3* db) {
  std::set<std::string> guards;
  Statement select(db,
                   "SELECT type || ' ' || name || ' ' || coalesce(sql, '') FROM sqlite_schema "
                   "WHERE type IN ('trigger', 'view', 'index') AND name NOT LIKE 'sqlite_%'");
  while (select.step()) guards.insert(select.text(0));
  return guards;
}

std::set<std::string> guards_of_a_fresh_book(int layout) {
  sqlite3* raw = nullptr;
  sqlite3_open(":memory:", &raw);
  const std::unique_ptr<sqlite3, CloseConnection> fresh(raw);
  upgrade_schema(raw, upgrades().first(static_cast<std::size_t>(layout)));
  return guards_of(raw);
}

// A fresh book in memory says what must be there; laying it out is most of the work of checking a
// small book, so it is asked once.
const std::set<std::string>& guards_of_layout(int layout) {
  static const std::set<std::string> guards = guards_of_a_fresh_book(current_schema_version());
  if (layout == current_schema_version()) return guards;
  static std::map<int, std::set<std::string>> older;
  const auto at = older.find(layout);
  return at != older.end() ? at->second
                           : older.emplace(layout, guards_of_a_fresh_book(layout)).first->second;
}

void check_guards(const Book& book, Findings& findings) {
  sqlite3* db = book.handle();
  const std::set<std::string> present = guards_of(db);
  for (const std::string& guard : guards_of_layout(layout_of(book))) {
    if (present.count(guard) > 0) continue;
    const std::size_t second_blank = guard.find(' ', guard.find(' ') + 1);
    findings.add("file",
                 fmt::format("the {} is missing or altered", guard.substr(0, second_blank)));
  }
  if (const auto trigger = foreign_trigger(db))
    findings.add("file",
                 fmt::format("the trigger {} is not Loadline's", on_one_line(trigger->name)));
}

// Row numbers hold the run: from each run's first row one step leads to the next run's.
void check_orphans(sqlite3* db, const char* table, const char* source, Findings& findings) {
  Statement next(db, fmt::format("SELECT min(id) FROM {} WHERE id >= ?", table));
  Statement owner(db, "SELECT source FROM run WHERE id = ?");
  for (std::int64_t from = std::numeric_limits<std::int64_t>::min();;) {
    next.with(from).step();
    if (next.is_null(0)) return;
    if (next.whole(0) < from) {
      findings.add("file", fmt::format("the rows of '{}' are out of order", table));
      return;
    }
    const std::int64_t run = next.whole(0) >> kRunShift;
    next.reset();
    const bool owned = owner.with(run).step();
    if (!owned)
      findings.add(fmt::format("run {}", run),
                   fmt::format("rows in '{}' belong to no run of the book", table));
    else if (owner.text(0) != source)
      findings.add(fmt::format("run {}", run),
                   fmt::format("rows in '{}', but the run came from {}", table, owner.text(0)));
    owner.reset();
    if (run >= std::numeric_limits<std::int64_t>::max() >> kRunShift) return;
    from = (run + 1) << kRunShift;
  }
}

// Standard uncertainties stand only beside rows of steady runs.
void check_uncertainties(const Book& book, Findings& findings) {
  if (layout_of(book) < 2) return;
  Statement lone(book.handle(),
                 "SELECT s.id >> 42 FROM imported_sd s LEFT JOIN imported i ON i.id = s.id "
                 "LEFT JOIN run ON run.id = s.id >> 42 WHERE i.id IS NULL OR run.steady IS NOT 1 "
                 "LIMIT 20");
  while (lone.step())
    findings.add(fmt::format("run {}", lone.whole(0)),
                 "a standard uncertainty belongs to no steady reading");
}

void check_joined(const Book& book, Findings& findings) {
  for (const JoinedPart& joined : book.joined()) {
    const char* kind = part_kind_name(joined.kind);
    Statement into(book.handle(), fmt::format("SELECT 1 FROM {} WHERE id = ?", kind));
    if (!into.with(joined.into).step())
      findings.add(fmt::format("joined {} '{}'", kind, on_one_line(joined.name)),
                   "was joined into a part that is not in the book");
    Statement still(book.handle(), fmt::format("SELECT 1 FROM {} WHERE uuid = ?", kind));
    if (still.with(joined.uuid).step())
      findings.add(fmt::format("joined {} '{}'", kind, on_one_line(joined.name)),
                   "is in the book beside the part that it was joined into");
  }
}

void check_rows(const Book& book, const Run& run, Findings& findings,
                const std::function<void(std::int64_t)>& advance) {
  RunScan scan(run.steady);
  const auto take = [&](auto rows) {
    scan.take(rows);
    advance(static_cast<std::int64_t>(rows.size()));
  };
  if (run.source == RunSource::kRig)
    book.each_block(run.id, 4096, take);
  else
    each_reading_block(book, run, 4096, take);
  const std::string where = fmt::format("run {}", run.id);
  if (scan.count() != run.sample_count)
    findings.add(where,
                 fmt::format("{} rows are there, {} were written", scan.count(), run.sample_count));
  else if (scan.hash() != run.content_hash)
    findings.add(where, "its rows were altered after the run ended (the content hash differs)");
  if (!scan.impossible().empty()) findings.add(where, scan.impossible());
  const std::string wide = run.source == RunSource::kRig ? wide_count(book, run.id) : "";
  if (!wide.empty()) findings.add(where, wide);
}

void check_runs(const Book& book, CheckResult& result, Findings& findings,
                const std::function<void(double, double)>& progress) {
  Statement sum(book.handle(), "SELECT total(sample_count) FROM run");
  const double in_all = sum.step() ? sum.real(0) : 0;
  look_at_each(book.handle(), "run", findings, [&](std::int64_t id) {
    ++result.runs;
    const Run run = book.run(id);
    if (run.state == RunState::kOpen) {
      result.notes.push_back(
          {fmt::format("run {}", id), "is being recorded, or its recorder died; not looked at"});
      return;
    }
    check_rows(book, run, findings, [&](std::int64_t rows) {
      result.rows += rows;
      if (progress) progress(static_cast<double>(result.rows), in_all);
    });
  });
}

void check_log(const Book& book, Findings& findings) {
  for (const LogMark& mark : log_marks(book.handle()))
    if (mark.lost || book.log_was_missing())
      findings.add(fmt::format("run {}", mark.run),
                   fmt::format("the book's log (-wal), which held what was recorded after the "
                               "first {} rows, is missing; put it back, or take the book from its "
                               "last backup",
                               mark.rows));
}

void check_slip_checks(sqlite3* db, Findings& findings) {
  Statement wrong(db,
                  "SELECT run.id, other.kind, other.id FROM run JOIN run AS other "
                  "ON other.id = run.slip_check_id WHERE other.kind <> 'slip-check'");
  while (wrong.step())
    findings.add(fmt::format("run {}", wrong.whole(0)),
                 fmt::format("leans on run {} as its slip check, which is a {} run", wrong.whole(2),
                             wrong.text(1)));
}

void check_curves(const Book& book, Findings& findings) {
  look_at_each(book.handle(), "curve", findings, [&](std::int64_t id) {
    const std::string fault = curve_fault(curve_of_number(book, id));
    if (!fault.empty()) findings.add(fmt::format("curve {}", id), fault);
  });
}

// Words that no program of ours would have stored: a terminal may take them for orders.
void check_words(const Part& part, Findings& findings) {
  try {
    require_name(part.name, "its name");
    require_note(part.note, "its note");
  } catch (const Error& error) {
    findings.add(fmt::format("{} {}", part_kind_name(part.kind), part.id), error.what());
  }
}

// By the ranges of today, which may be narrower than the CHECKs of an older book.
void check_part(const Part& part, Findings& findings) {
  check_words(part, findings);
  for (const PartField& field : part_fields(part.kind)) {
    if (field.type != PartField::Type::kNumber) continue;
    const auto value = part.number(field.name);
    if (value && !(*value >= field.low && *value <= field.high))
      findings.add(fmt::format("{} '{}'", part_kind_name(part.kind), part.name),
                   fmt::format("{} {:g} is outside {:g} to {:g}", field.name, *value, field.low,
                               field.high));
  }
}

void check_parts(const Book& book, Findings& findings) {
  for (const PartKind kind : all_part_kinds())
    for (const Part& part : book.parts(kind)) check_part(part, findings);
}

// Of a part, of one that was joined into another, or of a run.
bool is_of_this_book(const Book& book, const std::string& uuid) {
  Statement find(book.handle(),
                 "SELECT 1 FROM run WHERE uuid = ?1 UNION ALL SELECT 1 FROM motor WHERE uuid = ?1 "
                 "UNION ALL SELECT 1 FROM machine WHERE uuid = ?1 UNION ALL SELECT 1 FROM rig "
                 "WHERE uuid = ?1 UNION ALL SELECT 1 FROM pulley WHERE uuid = ?1 UNION ALL "
                 "SELECT 1 FROM belt WHERE uuid = ?1");
  if (find.with(uuid).step()) return true;
  for (const JoinedPart& joined : book.joined())
    if (joined.uuid == uuid) return true;
  return false;
}

void check_picture(const Book& book, const std::string& name, Findings& findings) {
  const std::string where = fmt::format("document '{}'", on_one_line(name));
  try {
    picture_in(name, book.document(name).value_or(""));
    if (!is_of_this_book(book, subject_of_picture(name)))
      findings.add(where, "is a picture of nothing in the book");
  } catch (const Error& error) {
    findings.add(where, error.what());
  }
}

void check_documents(const Book& book, Findings& findings) {
  for (const std::string& name : book.document_names(""))
    if (!Json::accept(book.document(name).value_or("")))
      findings.add(fmt::format("document '{}'", name), "is not valid JSON");
    else if (name.starts_with(kPictureDocuments))
      check_picture(book, name, findings);
}

}  // namespace

CheckResult check_book(const Book& book, const std::function<void(double, double)>& progress) {
  CheckResult result;
  Findings findings(result);
  sqlite3* db = book.handle();
  // In a damaged file one look may fail; the others still say what they can.
  const std::function<void()> looks[] = {
      [&] { check_file(db, findings); },
      [&] { check_references(db, findings); },
      [&] { check_guards(book, findings); },
      [&] { check_orphans(db, "sample", "rig", findings); },
      [&] { check_orphans(db, "imported", "csv", findings); },
      [&] { check_uncertainties(book, findings); },
      [&] { check_joined(book, findings); },
      [&] { check_runs(book, result, findings, progress); },
      [&] { check_log(book, findings); },
      [&] { check_slip_checks(db, findings); },
      [&] { check_curves(book, findings); },
      [&] { check_parts(book, findings); },
      [&] { check_documents(book, findings); },
  };
  for (const auto& look : looks) {
    try {
      look();
    } catch (const Error& error) {
      findings.add("file", error.what());
    }
  }
  return result;
}

}  // namespace loadline
