#include "tests/db/hostile_book.h"

#include <fmt/format.h>
#include <sqlite3.h>
#include <unistd.h>
#include <nlohmann/json.hpp>

#include <array>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "db/care/check.h"
#include "db/care/shown.h"
#include "db/exchange/csv_out.h"
#include "db/schema/schema.h"
#include "db/store/book_state.h"
#include "db/store/impossible.h"
#include "tests/db/filled_book.h"
#include "tests/support/scratch.h"

namespace loadline::testing {
namespace {

constexpr std::array kTables = {"run",         "motor",  "machine",    "rig",          "pulley",
                                "belt",        "sample", "imported",   "event",        "zero",
                                "calibration", "curve",  "curve_run",  "document",     "book",
                                "imported_sd", "joined", "run_change", "subject_event"};

// ---- a book with something of everything -----------------------------------------------------

std::string uuid(char series, char kind, int number) {
  std::string out = "00000000-0000-4000-8000-000000000000";
  out[0] = series;
  out[1] = kind;
  out.back() = static_cast<char>('0' + number);
  return out;
}

std::int64_t add_part(Book& book, PartKind kind, const std::string& id, const char* name) {
  Part out = part(kind, name);
  out.uuid = id;
  if (kind == PartKind::kMotor) out.fields = {{"max-rpm", 9000.0}, {"type", std::string("series")}};
  if (kind == PartKind::kBelt) out.fields = {{"round-mm", 5.0}};
  return book.add(out);
}

struct Mounted {
  std::int64_t rig, motor, machine, belt, motor_pulley, hand_pulley;
};

Mounted add_parts(Book& book, char series) {
  return {add_part(book, PartKind::kRig, uuid(series, 'a', 1), "Bench"),
          add_part(book, PartKind::kMotor, uuid(series, 'b', 1), "Heron 90"),
          add_part(book, PartKind::kMachine, uuid('0', 'c', 1), "Attic treadle"),
          add_part(book, PartKind::kBelt, uuid(series, 'd', 1), "Ring, green"),
          add_part(book, PartKind::kPulley, uuid(series, 'e', 1), "Small"),
          add_part(book, PartKind::kPulley, uuid(series, 'e', 2), "Wheel")};
}

Run new_run(const std::string& id, RunKind kind, RunSource source) {
  Run run;
  run.uuid = id;
  run.kind = kind;
  run.source = source;
  run.started_utc = "2026-01-01T10:00:00Z";
  return run;
}

void add_runs(Book& book, char series, const Mounted& mounted) {
  Run run = new_run(uuid(series, 'f', 1), RunKind::kSlipCheck, RunSource::kRig);
  run.rig = mounted.rig;
  run.motor = mounted.motor;
  run.belt = mounted.belt;
  run.motor_pulley = mounted.motor_pulley;
  run.hand_pulley = mounted.hand_pulley;
  run.tick_hz = 1e6;
  run.motor_pulses_per_turn = 1;
  const std::int64_t slip_check = book.begin_run(run);
  book.append(slip_check, samples(3));
  book.end_run(slip_check, RunState::kComplete);
  run.uuid = uuid(series, 'f', 2);
  run.kind = RunKind::kBrake;
  run.slip_check = slip_check;
  const std::int64_t brake = book.begin_run(run);
  book.append(brake, samples(40));
  book.add_event({brake, 5000, EventKind::kGap, 0.01, "ten frames missing"});
  book.add_zero({0, mounted.rig, brake, ZeroMoment::kBefore, 0, 10, 1, 40, "2026-01-01T10:00:00Z"});
  book.end_run(brake, RunState::kInterrupted);
  Run imported = new_run(uuid('0', 'f', 3), RunKind::kCoastDown, RunSource::kFile);
  imported.machine = mounted.machine;
  const std::int64_t coast_down = book.begin_run(imported);
  book.append(coast_down, readings(5));
  book.end_run(coast_down, RunState::kComplete);
}

void add_results(Book& book, char series, const Mounted& mounted) {
  Calibration calibration;
  calibration.uuid = uuid(series, '1', 1);
  calibration.rig = mounted.rig;
  calibration.slope_n_per_count = 0.001;
  calibration.arm_m = 0.1;
  calibration.made_utc = "2026-01-01T10:00:00Z";
  book.add_calibration(calibration);
  book.add_zero({0, mounted.rig, 0, ZeroMoment::kAlone, 0, 12, 1, 40, "2026-01-01T10:00:00Z"});
  StoredCurve curve;
  curve.uuid = uuid(series, '2', 1);
  curve.subject = mounted.motor;
  curve.model = "permanent-magnet";
  curve.parameter_names = {"stall", "omega_n"};
  curve.parameters = {0.2, 900};
  curve.covariance = Covariance(2);
  curve.covariance.rows = {1, 0, 0, 1};
  curve.speed_high = 800;
  curve.runs = {2};
  curve.made_utc = "2026-01-01T10:00:00Z";
  book.add_curve(curve);
  book.put_document("plan/evening", "{\"runs\": []}");
}

std::string sound_bytes(char series) {
  const std::string path = fuzz_folder() + "/made.book";
  {
    Book book = Book::open(path, Book::Mode::kCreate);
    const Mounted mounted = add_parts(book, series);
    add_runs(book, series, mounted);
    add_results(book, series, mounted);
    // Without this every process would have other bytes.
    execute(book.handle(),
            "UPDATE book SET uuid = '00000000-0000-4000-8000-000000000000', "
            "made_utc = '2026-01-01T10:00:00Z'; UPDATE document SET changed_utc = '2026'");
  }
  std::string bytes = bytes_of(path);
  unlink(path.c_str());
  return bytes;
}

// ---- the same book without its guards --------------------------------------------------------

void replace_all(std::string& text, const std::string& what, const std::string& by) {
  for (std::size_t at = 0; (at = text.find(what, at)) != std::string::npos; at += by.size())
    text.replace(at, what.size(), by);
}

std::string without_guards(std::string sql) {
  if (sql.rfind("CREATE TABLE", 0) != 0) return sql;
  replace_all(sql, ") STRICT, WITHOUT ROWID", ")");
  replace_all(sql, ") STRICT", ")");
  replace_all(sql, "IS NOT NULL", "NOTNULL");  // an operator (SQLite), not a guard
  replace_all(sql, " NOT NULL", "");
  replace_all(sql, " UNIQUE", "");
  replace_all(sql, "TEXT PRIMARY KEY", "TEXT");
  replace_all(sql, "PRIMARY KEY (curve_id, run_id)", "CHECK (true)");
  return sql;
}

std::string stored_columns(sqlite3* db, const std::string& table) {
  std::string names;
  Statement select(db, "SELECT name FROM pragma_table_info(?)");
  select.with(table);
  while (select.step()) {
    if (!names.empty()) names += ", ";
    names += select.text(0);
  }
  return names;
}

std::string lax_bytes() {
  const std::string guarded = fuzz_folder() + "/guarded.book", path = fuzz_folder() + "/lax.book";
  std::ofstream(guarded, std::ios::binary) << sound_bytes('7');
  {
    sqlite3* raw = nullptr;
    sqlite3_open(path.c_str(), &raw);
    const std::unique_ptr<sqlite3, CloseConnection> db(raw);
    execute(raw, "ATTACH '" + guarded + "' AS guarded; PRAGMA page_size = 1024");
    std::vector<std::string> layout;
    {
      Statement select(raw,
                       "SELECT sql FROM guarded.sqlite_schema WHERE sql IS NOT NULL AND type IN "
                       "('table', 'index') ORDER BY type DESC");
      while (select.step()) layout.push_back(without_guards(select.text(0)));
    }
    for (const std::string& sql : layout) execute(raw, sql);
    for (const std::string table : kTables) {
      const std::string columns = stored_columns(raw, table);
      execute(raw,
              fmt::format("INSERT INTO {0} ({1}) SELECT {1} FROM guarded.{0}", table, columns));
    }
    execute(raw, fmt::format("PRAGMA application_id = 0x4C4F4144; PRAGMA user_version = {}",
                             current_schema_version()));
  }
  std::string bytes = bytes_of(path);
  for (const auto& name : {guarded, path}) unlink(name.c_str());
  return bytes;
}

// ---- edits -----------------------------------------------------------------------------------

class Bytes {
 public:
  Bytes(const std::uint8_t* data, std::size_t size) : data_(data), left_(size) {}
  bool empty() const { return left_ == 0; }
  std::uint8_t one() {
    if (left_ == 0) return 0;
    --left_;
    return *data_++;
  }
  template <typename Number>
  Number number() {
    std::array<std::uint8_t, sizeof(Number)> bytes{};
    for (auto& byte : bytes) byte = one();
    Number value;
    std::memcpy(&value, bytes.data(), sizeof value);
    return value;
  }
  std::string text() {
    std::string out(one(), ' ');
    for (char& c : out) c = static_cast<char>(one());
    return out;
  }

 private:
  const std::uint8_t* data_;
  std::size_t left_;
};

void bind_fuzzed(sqlite3_stmt* statement, int index, Bytes& bytes) {
  static constexpr std::array<std::int64_t, 8> kEdges = {
      0, -1, INT64_MAX, INT64_MIN, INT32_MAX, std::int64_t{1} << 42, 2097151, 1'000'000'000'000};
  switch (bytes.one() % 8) {
    case 0:
      sqlite3_bind_null(statement, index);
      return;
    case 1:
      sqlite3_bind_int64(statement, index, static_cast<std::int8_t>(bytes.one()));
      return;
    case 2:
      sqlite3_bind_int64(statement, index, bytes.number<std::int64_t>());
      return;
    case 3:
      sqlite3_bind_int64(statement, index, kEdges[bytes.one() % kEdges.size()]);
      return;
    case 4:
      sqlite3_bind_double(statement, index, bytes.number<double>());
      return;
    case 5: {
      const std::string text = bytes.text();
      sqlite3_bind_blob64(statement, index, text.data(), text.size(), SQLITE_TRANSIENT);
      return;
    }
    case 6: {
      // Long texts, without long inputs.
      const std::string text(std::size_t{1} << (bytes.one() % 18), static_cast<char>(bytes.one()));
      sqlite3_bind_text64(statement, index, text.data(), text.size(), SQLITE_TRANSIENT,
                          SQLITE_UTF8);
      return;
    }
    default: {
      const std::string text = bytes.text();
      sqlite3_bind_text64(statement, index, text.data(), text.size(), SQLITE_TRANSIENT,
                          SQLITE_UTF8);
    }
  }
}

const std::vector<std::string>& columns_of_table(sqlite3* db, std::size_t table) {
  static std::array<std::vector<std::string>, kTables.size()> known;
  if (known[table].empty()) {
    Statement select(db, "SELECT name FROM pragma_table_info(?)");
    select.with(kTables[table]);
    while (select.step()) known[table].push_back(select.text(0));
  }
  return known[table];
}

// Faults are no matter here: an edit that cannot be made is not made.
void run_with(sqlite3* db, const std::string& sql, const std::function<void(sqlite3_stmt*)>& bind) {
  sqlite3_stmt* statement = nullptr;
  if (sqlite3_prepare_v2(db, sql.c_str(), -1, &statement, nullptr) == SQLITE_OK) {
    bind(statement);
    sqlite3_step(statement);
  }
  sqlite3_finalize(statement);
}

void edit_once(sqlite3* db, Bytes& bytes) {
  const std::uint8_t what = bytes.one() % 8;
  const std::size_t table = bytes.one() % kTables.size();
  const int row = bytes.one() % 64;
  const std::string name = kTables[table];
  const std::string at =
      "(SELECT rowid FROM " + name + " LIMIT 1 OFFSET " + std::to_string(row) + ")";
  const auto& columns = columns_of_table(db, table);
  const std::string column = columns[bytes.one() % columns.size()];
  const auto nothing = [](sqlite3_stmt*) {};
  if (what < 5) {
    run_with(db, "UPDATE " + name + " SET " + column + " = ? WHERE rowid = " + at,
             [&](sqlite3_stmt* statement) { bind_fuzzed(statement, 1, bytes); });
  } else if (what == 5) {
    run_with(db, "DELETE FROM " + name + " WHERE rowid = " + at, nothing);
  } else {
    // A second row like it, all but one column (what == 7) or its number (what == 6).
    const std::string changed = what == 6 ? columns.front() : column;
    std::string list, values;
    for (const std::string& each : columns) {
      if (!list.empty()) {
        list += ", ";
        values += ", ";
      }
      list += each;
      values += each == changed ? "?" : each;
    }
    run_with(db,
             "INSERT INTO " + name + " (" + list + ") SELECT " + values + " FROM " + name +
                 " WHERE rowid = " + at,
             [&](sqlite3_stmt* statement) { bind_fuzzed(statement, 1, bytes); });
  }
}

// The hash that the rows have now: whoever alters a book may know how it is made.
void hash_anew(sqlite3* db, const Book& book, std::int64_t run, bool from_rig) {
  RunScan scan(book.run(run).steady);
  const auto take = [&](auto rows) { scan.take(rows); };
  if (from_rig)
    book.each_block(run, 4096, take);
  else
    each_reading_block(book, book.run(run), 4096, take);
  Statement update(db, "UPDATE run SET content_hash = ?, sample_count = ? WHERE id = ?");
  update.with(scan.hash(), scan.count(), run).run();
}

void edit_book(const std::string& path, const std::uint8_t* data, std::size_t size) {
  Bytes bytes(data, size);
  const bool hashed = bytes.one() % 2 == 1;
  sqlite3* raw = nullptr;
  sqlite3_open(path.c_str(), &raw);
  const std::unique_ptr<sqlite3, CloseConnection> db(raw);
  execute(raw, "PRAGMA ignore_check_constraints = ON; PRAGMA synchronous = OFF; BEGIN");
  constexpr int kMostEdits = 40;
  for (int i = 0; i < kMostEdits && !bytes.empty(); ++i) edit_once(raw, bytes);
  execute(raw, "COMMIT");
  if (!hashed) return;
  const Book book = Book::open(path, Book::Mode::kRead);
  execute(raw, "BEGIN");
  for (const std::int64_t run : {1, 2, 3}) hash_anew(raw, book, run, run < 3);
  execute(raw, "COMMIT");
}

void write_bytes(const std::string& path, const char* bytes, std::size_t size) {
  for (const char* end : {"-wal", "-shm", "-journal"}) unlink((path + end).c_str());
  std::ofstream(path, std::ios::binary | std::ios::trunc)
      .write(bytes, static_cast<std::streamsize>(size));
}

}  // namespace

const std::string& fuzz_folder() {
  static const auto* const folder = [] {
    const std::filesystem::path memory = "/dev/shm";
    const std::filesystem::path base =
        access(memory.c_str(), W_OK) == 0 ? memory : std::filesystem::temp_directory_path();
    // Never destroyed: it is needed after the last of the ordinary statics has gone.
    auto* name = new std::string((base / ("loadline-fuzz-" + std::to_string(getpid()))).string());
    std::filesystem::create_directories(*name);
    std::atexit([] {
      std::error_code ignored;
      std::filesystem::remove_all(fuzz_folder(), ignored);
    });
    return name;
  }();
  return *folder;
}

void write_hostile_book(const std::string& path, const std::uint8_t* data, std::size_t size) {
  if (size == 0 || data[0] != 'e') {
    write_bytes(path, reinterpret_cast<const char*>(data), size);
    return;
  }
  static const std::string lax = lax_bytes();
  write_bytes(path, lax.data(), lax.size());
  edit_book(path, data + 1, size - 1);
}

void write_sound_book(const std::string& path) {
  static const std::string bytes = sound_bytes('1');
  write_bytes(path, bytes.data(), bytes.size());
}

std::vector<std::string> rows_as_text(const Book& book) {
  std::vector<std::string> rows;
  for (const std::string table : kTables) {
    const auto take = [](void* into, int columns, char** values, char**) {
      auto& row = static_cast<std::vector<std::string>*>(into)->emplace_back();
      for (int i = 0; i < columns; ++i) row += std::string(values[i] ? values[i] : "(null)") + "|";
      return 0;
    };
    const std::size_t first = rows.size();
    sqlite3_exec(book.handle(), ("SELECT * FROM " + table).c_str(), take, &rows, nullptr);
    for (std::size_t i = first; i < rows.size(); ++i) rows[i] = table + "|" + rows[i];
  }
  return rows;
}

void require_sentence(const std::string& sentence) {
  bool readable = !sentence.empty();
  for (const char c : sentence)
    readable = readable && static_cast<unsigned char>(c) >= 0x20 && c != 0x7F;
  if (readable) return;
  std::fprintf(stderr, "no sentence: '%s'\n", sentence.c_str());
  std::abort();
}

void read_everything(const Book& book,
                     const std::function<void(const std::function<void()>&)>& on_each) {
  std::ostringstream out;
  on_each([&] { check_book(book); });
  for (const PartKind kind : all_part_kinds()) on_each([&] { export_parts(book, kind, out); });
  on_each([&] { export_runs(book, out); });
  on_each([&] { export_curves(book, out); });
  on_each([&] {
    const PartNames names(book);
    for (const PartKind kind : all_part_kinds())
      for (const Part& each : book.parts(kind)) part_json(each);
    RunFilter all;
    all.with_open = true;
    for (const Run& run : book.runs(all)) run_json(run, names);
    for (const StoredCurve& curve : book.curves()) curve_json(curve, names);
  });
  std::vector<Run> runs;
  on_each([&] { runs = book.runs(); });
  for (const Run& run : runs) {
    on_each([&] {
      if (run.source == RunSource::kRig)
        book.samples(run.id);
      else
        book.readings(run.id), book.reading_columns(run.id);
    });
    on_each([&] {
      try {
        export_run(book, run.id, out);
      } catch (const Error& error) {
        // A run in which nothing but time could be written is an honest answer.
        if (error.fault() != Fault::kInput) throw;
      }
    });
  }
}

}  // namespace loadline::testing
