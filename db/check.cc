#include "db/check.h"

#include <fmt/format.h>

#include <cmath>
#include <limits>
#include <set>

#include "db/basis/estimate.h"
#include "db/schema/schema.h"
#include "db/store/book_state.h"

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

// A fresh book in memory says what must be there.
void check_guards(sqlite3* db, Findings& findings) {
  sqlite3* raw = nullptr;
  sqlite3_open(":memory:", &raw);
  const std::unique_ptr<sqlite3, CloseConnection> fresh(raw);
  upgrade_schema(raw);
  const std::set<std::string> present = guards_of(db);
  for (const std::string& guard : guards_of(raw)) {
    if (present.count(guard) > 0) continue;
    const std::size_t second_blank = guard.find(' ', guard.find(' ') + 1);
    findings.add("file",
                 fmt::format("the {} is missing or altered", guard.substr(0, second_blank)));
  }
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

/// Rows of one run as they are streamed: digest, count, and the first impossible row.
class RunScan {
 public:
  void take(std::span<const Sample> samples) {
    hash_.add(samples);
    count_ += static_cast<std::int64_t>(samples.size());
    for (const Sample& sample : samples) look_at(sample);
  }
  void take(std::span<const ImportedReading> readings) {
    hash_.add(readings);
    count_ += static_cast<std::int64_t>(readings.size());
    for (const ImportedReading& reading : readings) look_at(reading);
  }
  std::int64_t count() const { return count_; }
  std::string hash() const { return hash_.hex(); }
  const std::string& impossible() const { return impossible_; }

 private:
  void note(std::string what) {
    if (impossible_.empty()) impossible_ = std::move(what);
  }
  void look_at(const Sample& sample) {
    look_at_edges(sample.motor_edges, last_motor_edges_, "motor", sample.tick);
    look_at_edges(sample.handwheel_edges, last_handwheel_edges_, "hand wheel", sample.tick);
  }
  void look_at_edges(const std::optional<std::int64_t>& edges, std::int64_t& last,
                     const char* which, std::int64_t tick) {
    if (!edges) return;
    if (*edges < last) note(fmt::format("the edge count of the {} falls at tick {}", which, tick));
    last = *edges;
  }
  void look_at(const ImportedReading& reading) {
    if (!std::isfinite(reading.time_s) || reading.time_s < last_time_s_)
      note(fmt::format("time falls at {} s", reading.time_s));
    last_time_s_ = reading.time_s;
    for (const double value : {reading.motor_rpm, reading.handwheel_rpm, reading.torque_nm,
                               reading.supply_v, reading.temperature_c})
      if (std::abs(value) > 1e15)
        note(fmt::format("a value at {} s is no reading", reading.time_s));
  }

  ContentHash hash_;
  std::int64_t count_ = 0;
  std::int64_t last_motor_edges_ = 0, last_handwheel_edges_ = 0;
  double last_time_s_ = -std::numeric_limits<double>::infinity();
  std::string impossible_;
};

void check_wide_counts(sqlite3* db, const Run& run, Findings& findings) {
  Statement wide(db,
                 "SELECT id & 4398046511103 FROM sample WHERE id BETWEEN ?1 << 42 AND "
                 "(?1 << 42) + 4398046511103 AND (torque_counts NOT BETWEEN -2147483648 AND "
                 "2147483647 OR supply_counts NOT BETWEEN -2147483648 AND 2147483647 OR "
                 "temperature_counts NOT BETWEEN -2147483648 AND 2147483647) LIMIT 1");
  if (wide.with(run.id).step())
    findings.add(
        fmt::format("run {}", run.id),
        fmt::format("a converter count at tick {} is wider than any converter", wide.whole(0)));
}

void check_rows(const Book& book, const Run& run, Findings& findings,
                const std::function<void(std::int64_t)>& advance) {
  RunScan scan;
  const auto take = [&](auto rows) {
    scan.take(rows);
    advance(static_cast<std::int64_t>(rows.size()));
  };
  if (run.source == "rig")
    book.each_block(run.id, 4096, take);
  else
    each_reading_block(book, run.id, 4096, take);
  const std::string where = fmt::format("run {}", run.id);
  if (scan.count() != run.sample_count)
    findings.add(where,
                 fmt::format("{} rows are there, {} were written", scan.count(), run.sample_count));
  else if (scan.hash() != run.content_hash)
    findings.add(where, "its rows were altered after the run ended (the content hash differs)");
  if (!scan.impossible().empty()) findings.add(where, scan.impossible());
  if (run.source == "rig") check_wide_counts(book.handle(), run, findings);
}

void check_runs(const Book& book, CheckResult& result, Findings& findings,
                const std::function<void(double, double)>& progress) {
  RunFilter all;
  all.with_open = true;
  const std::vector<Run> runs = book.runs(all);
  std::int64_t in_all = 0;
  for (const Run& run : runs) in_all += run.sample_count;
  for (const Run& run : runs) {
    ++result.runs;
    if (run.state == RunState::kOpen) {
      result.notes.push_back({fmt::format("run {}", run.id),
                              "is being recorded, or its recorder died; not looked at"});
      continue;
    }
    check_rows(book, run, findings, [&](std::int64_t rows) {
      result.rows += rows;
      if (progress) progress(static_cast<double>(result.rows), static_cast<double>(in_all));
    });
  }
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

std::string curve_fault(const StoredCurve& curve) {
  const auto size = static_cast<Eigen::Index>(curve.parameters.size());
  if (curve.parameter_names.size() != curve.parameters.size() || curve.covariance.rows() != size)
    return "names, parameters and covariance are not of one size";
  for (Eigen::Index i = 0; i < size; ++i) {
    if (curve.covariance(i, i) < 0) return "a variance is negative";
    for (Eigen::Index j = 0; j < i; ++j) {
      const double scale = std::sqrt(curve.covariance(i, i) * curve.covariance(j, j));
      if (std::abs(curve.covariance(i, j) - curve.covariance(j, i)) > 1e-6 * scale)
        return "the covariance is not symmetric";
    }
  }
  return Json::accept(curve.details_json) ? "" : "its details are not valid JSON";
}

void check_curves(const Book& book, Findings& findings) {
  for (const StoredCurve& curve : book.curves()) {
    const std::string fault = curve_fault(curve);
    if (!fault.empty()) findings.add(fmt::format("curve {}", curve.id), fault);
  }
}

// By the ranges of today, which may be narrower than the CHECKs of an older book.
void check_parts(const Book& book, Findings& findings) {
  for (const PartKind kind : all_part_kinds())
    for (const Part& part : book.parts(kind))
      for (const PartField& field : part_fields(kind)) {
        if (field.type != PartField::Type::kNumber) continue;
        const auto value = part.number(field.name);
        if (value && !(*value >= field.low && *value <= field.high))
          findings.add(fmt::format("{} '{}'", part_kind_name(kind), part.name),
                       fmt::format("{} {:g} is outside {:g} to {:g}", field.name, *value, field.low,
                                   field.high));
      }
}

void check_documents(const Book& book, Findings& findings) {
  for (const std::string& name : book.document_names(""))
    if (!Json::accept(book.document(name).value_or("")))
      findings.add(fmt::format("document '{}'", name), "is not valid JSON");
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
      [&] { check_guards(db, findings); },
      [&] { check_orphans(db, "sample", "rig", findings); },
      [&] { check_orphans(db, "imported", "csv", findings); },
      [&] { check_runs(book, result, findings, progress); },
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
