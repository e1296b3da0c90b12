#include "db/store/log_mark.h"

#include <fmt/format.h>
#include <sys/stat.h>

#include <array>
#include <charconv>
#include <fstream>
#include <functional>
#include <nlohmann/json.hpp>

#include "db/basis/estimate.h"
#include "db/sql/statement.h"
#include "db/sql/text.h"

namespace loadline {
namespace {

constexpr const char* kPrefix = "recording/";

std::string mark_name(std::int64_t run) { return fmt::format("{}{}", kPrefix, run); }

void put_mark(sqlite3* db, const MarkedRun& run, bool lost) {
  const Json mark = {{"rows", run.rows}, {"lost", lost}};
  Statement insert(db,
                   "INSERT INTO document (name, json, changed_utc) VALUES (?1, ?2, ?3) "
                   "ON CONFLICT (name) DO UPDATE SET json = ?2, changed_utc = ?3");
  insert.with(mark_name(run.run), mark.dump(), utc_now()).run();
}

}  // namespace

bool has_log(const std::string& book) {
  // The first bytes of a write-ahead log (SQLite file format, section 4.1): 0x377f0682 or …83.
  std::array<char, 4> begins{};
  std::ifstream log(book + "-wal", std::ios::binary);
  log.read(begins.data(), begins.size());
  return log && begins[0] == 0x37 && begins[1] == 0x7f && begins[2] == 0x06 &&
         (begins[3] == static_cast<char>(0x82) || begins[3] == static_cast<char>(0x83));
}

std::optional<std::pair<dev_t, ino_t>> log_identity(const std::string& book) {
  struct stat file = {};
  if (::stat((book + "-wal").c_str(), &file) != 0) return std::nullopt;
  return std::pair(file.st_dev, file.st_ino);
}

namespace {

/// `work` in a transaction of its own; false when it failed, and then nothing of it is left.
bool at_once(sqlite3* db, const std::function<void()>& work) {
  try {
    execute(db, "BEGIN IMMEDIATE");
    work();
    execute(db, "COMMIT");
    return true;
  } catch (const std::exception&) {
    if (!sqlite3_get_autocommit(db)) sqlite3_exec(db, "ROLLBACK", nullptr, nullptr, nullptr);
    return false;
  }
}

}  // namespace

bool fold_log(sqlite3* db, const std::vector<MarkedRun>& runs) {
  const bool marked = at_once(db, [&] {
    for (const MarkedRun& run : runs) put_mark(db, run, false);
  });
  if (!marked) return true;
  sqlite3_wal_checkpoint_v2(db, nullptr, SQLITE_CHECKPOINT_PASSIVE, nullptr, nullptr);
  return clear_log_marks(db, runs);  // so that a kill right here is no loss that is reported later
}

bool clear_log_marks(sqlite3* db, const std::vector<MarkedRun>& runs) {
  return at_once(db, [&] {
    for (const MarkedRun& run : runs) clear_log_mark(db, run.run);
  });
}

std::vector<LogMark> log_marks(sqlite3* db) {
  Statement select(db, "SELECT name, json FROM document WHERE name LIKE 'recording/%'");
  std::vector<LogMark> marks;
  while (select.step()) {
    const std::string number = select.text(0).substr(std::string_view(kPrefix).size());
    const Json json = Json::parse(select.text(1), nullptr, false);
    LogMark mark;
    const auto read = std::from_chars(number.data(), number.data() + number.size(), mark.run);
    if (read.ec != std::errc() || !json.is_object()) continue;
    const auto rows = json.find("rows");
    if (rows != json.end() && rows->is_number_integer()) mark.rows = rows->get<std::int64_t>();
    mark.lost = json.value("lost", Json()) == true;
    marks.push_back(mark);
  }
  return marks;
}

void clear_log_mark(sqlite3* db, std::int64_t run) {
  Statement remove(db, "DELETE FROM document WHERE name = ? AND json NOT LIKE '%\"lost\":true%'");
  remove.with(mark_name(run)).run();
}

void keep_log_mark_as_lost(sqlite3* db, const MarkedRun& run) { put_mark(db, run, true); }

}  // namespace loadline
