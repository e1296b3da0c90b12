// Book: the readings of an imported run by columns, as quickly as SQLite hands them out.
#include <fmt/format.h>

#include <array>
#include <cmath>
#include <future>
#include <new>

#include "db/store/book_state.h"

namespace loadline {
namespace {

std::array<std::vector<double>*, 6> all_of(ReadingColumns& c) {
  return {&c.time_s, &c.motor_rpm, &c.handwheel_rpm, &c.torque_nm, &c.supply_v, &c.temperature_c};
}

// SQLite hands the rows to this one after the other from within its own loop, which takes half the
// time of a step and six calls for each.
struct ColumnTaker {
  static constexpr int kColumns = 6;
  ReadingColumns columns;
  std::size_t expected;

  explicit ColumnTaker(std::size_t rows) : expected(rows) {}
  void take(sqlite3_value** values) {
    const std::size_t row = columns.time_s.size();
    for (std::vector<double>* column : all_of(columns)) {
      sqlite3_value* const value = *values++;
      const bool none = sqlite3_value_type(value) == SQLITE_NULL;
      if (none && column->empty()) continue;
      if (column->empty()) {
        column->reserve(expected);
        column->resize(row, ImportedReading::kNone);
      }
      column->push_back(none ? ImportedReading::kNone : sqlite3_value_double(value));
    }
  }
  // The order of an aggregate's rows is SQLite's own affair.
  bool in_order() const {
    const std::size_t n = columns.time_s.size();
    return n < 2 || columns.time_s[n - 2] <= columns.time_s[n - 1];
  }
  static void take_row(sqlite3_context* context, int, sqlite3_value** values) {
    ColumnTaker& taker = *static_cast<ColumnTaker*>(sqlite3_user_data(context));
    try {
      taker.take(values);
    } catch (const std::bad_alloc&) {  // nothing may be thrown through SQLite
      sqlite3_result_error_nomem(context);
    }
    if (!taker.in_order())
      sqlite3_result_error(context, "the readings are not in order of time", -1);
  }
  static void finish(sqlite3_context*) {}
};

/// An SQL aggregate `take_row` as long as this lives.
class TakesRows {
 public:
  TakesRows(sqlite3* db, ColumnTaker& taker) : db_(db) {
    const int code =
        sqlite3_create_function(db, kName, ColumnTaker::kColumns, SQLITE_UTF8 | SQLITE_DIRECTONLY,
                                &taker, nullptr, ColumnTaker::take_row, ColumnTaker::finish);
    if (code != SQLITE_OK) throw_sqlite_error(db, code);
  }
  ~TakesRows() {
    sqlite3_create_function(db_, kName, ColumnTaker::kColumns, SQLITE_UTF8, nullptr, nullptr,
                            nullptr, nullptr);
  }
  TakesRows(const TakesRows&) = delete;
  TakesRows& operator=(const TakesRows&) = delete;

 private:
  static constexpr const char* kName = "take_row";
  sqlite3* db_;
};

// Pages that are read once need not be kept: fresh memory for them costs as much as decoding them.
class SmallCache {
 public:
  explicit SmallCache(sqlite3* db) : db_(db) {
    Statement usual(db, "PRAGMA cache_size");
    if (usual.step()) usual_ = usual.whole(0);
    set(-1024);  // KiB
  }
  ~SmallCache() { set(usual_); }
  SmallCache(const SmallCache&) = delete;
  SmallCache& operator=(const SmallCache&) = delete;

 private:
  void set(std::int64_t size) const {
    const std::string sql = fmt::format("PRAGMA cache_size = {}", size);
    sqlite3_exec(db_, sql.c_str(), nullptr, nullptr, nullptr);  // a hint; nothing rests on it
  }
  sqlite3* db_;
  std::int64_t usual_ = -2000;
};

// Readings number `first` to `last` of a run.
ReadingColumns read_columns(const Book& book, std::int64_t run, std::int64_t first,
                            std::int64_t last, std::size_t expected) {
  ColumnTaker taker(expected);
  const SmallCache cache(book.handle());
  const TakesRows function(book.handle(), taker);
  Statement select(book.handle(),
                   "SELECT take_row(time_s, motor_rpm, handwheel_rpm, torque_nm, supply_v, "
                   "temperature_c) FROM imported WHERE id BETWEEN ? AND ?");
  select.with(row_id(run, first), row_id(run, last)).step();
  return std::move(taker.columns);
}

void put_after(ReadingColumns& to, ReadingColumns from) {
  const std::size_t before = to.time_s.size(), after = before + from.time_s.size();
  const auto sources = all_of(from);
  const auto* source = sources.begin();
  for (std::vector<double>* column : all_of(to)) {
    const std::vector<double>& more = **source++;
    if (column->empty() && more.empty()) continue;
    column->resize(before, ImportedReading::kNone);
    column->insert(column->end(), more.begin(), more.end());
    column->resize(after, ImportedReading::kNone);
  }
}

// Typed or averaged points are few.
ReadingColumns steady_columns(const std::vector<ImportedReading>& readings) {
  ReadingColumns out;
  const auto take = [&](std::vector<double>& into, double ImportedReading::*member) {
    bool any = false;
    for (const ImportedReading& reading : readings) any = any || !std::isnan(reading.*member);
    if (!any) return;
    for (const ImportedReading& reading : readings) into.push_back(reading.*member);
  };
  take(out.time_s, &ImportedReading::time_s);
  take(out.motor_rpm, &ImportedReading::motor_rpm);
  take(out.handwheel_rpm, &ImportedReading::handwheel_rpm);
  take(out.torque_nm, &ImportedReading::torque_nm);
  take(out.supply_v, &ImportedReading::supply_v);
  take(out.temperature_c, &ImportedReading::temperature_c);
  take(out.motor_rpm_sd, &ImportedReading::motor_rpm_sd);
  take(out.handwheel_rpm_sd, &ImportedReading::handwheel_rpm_sd);
  take(out.torque_nm_sd, &ImportedReading::torque_nm_sd);
  take(out.supply_v_sd, &ImportedReading::supply_v_sd);
  return out;
}

// From so many rows on a second connection, reading the other half, is worth its opening.
constexpr std::size_t kWorthTwo = 200'000;

}  // namespace

ReadingColumns Book::reading_columns(std::int64_t run) const {
  const Run read = this->run(run);
  if (read.steady) return steady_columns(readings(run));
  const std::size_t rows = rows_to_expect(read);
  if (rows < kWorthTwo) return read_columns(*this, run, 0, kTickMask, rows);
  const auto middle = static_cast<std::int64_t>(rows / 2);
  auto later = std::async(std::launch::async, [&] {
    const Book other = Book::open(path(), Mode::kRead);
    return read_columns(other, run, middle, kTickMask, rows / 2 + 1);
  });
  ReadingColumns all = read_columns(*this, run, 0, middle - 1, rows);
  put_after(all, later.get());
  return all;
}

}  // namespace loadline
