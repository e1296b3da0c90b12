// The limit that recording is held against: SQLite's own speed with the same rows.
//   bare_rows FILE ROWS   prints the rows inserted in a second
//
// A prepared statement for each row, write-ahead log, synchronous NORMAL, a commit every quarter of
// a second; every column as the wire gives it, counters and ticks in full.
#include <sqlite3.h>

#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>

int main(int argc, char** argv) {
  if (argc < 3) return std::fprintf(stderr, "bare_rows FILE ROWS\n"), 2;
  const long rows = std::strtol(argv[2], nullptr, 10);
  sqlite3* db = nullptr;
  sqlite3_stmt* insert = nullptr;
  const auto run = [&](const char* sql) {
    if (sqlite3_exec(db, sql, nullptr, nullptr, nullptr) == SQLITE_OK) return;
    std::fprintf(stderr, "bare_rows: %s\n", sqlite3_errmsg(db));
    std::exit(1);
  };
  sqlite3_open_v2(argv[1], &db, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE | SQLITE_OPEN_NOMUTEX,
                  nullptr);
  run("PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL;"
      "CREATE TABLE sample (run INTEGER, number INTEGER, tick INTEGER, torque_counts INTEGER,"
      " motor_edges INTEGER, motor_edge_tick INTEGER)");
  sqlite3_prepare_v2(db, "INSERT INTO sample VALUES (1, ?, ?, ?, ?, ?)", -1, &insert, nullptr);
  const auto began = std::chrono::steady_clock::now();
  auto committed = began;
  run("BEGIN");
  double turns = 0;
  long edges = 0, edge_tick = 0;
  for (long k = 0; k < rows; ++k) {
    const double share = std::fabs(std::fmod(static_cast<double>(k) / 40'000, 2) - 1);
    const double turns_per_tick = (17 + 133 * share) / 2e6;
    turns += turns_per_tick * 2000;
    const long now = static_cast<long>(4 * turns);
    if (now != edges)
      edge_tick =
          k * 2000 - static_cast<long>((4 * turns - static_cast<double>(now)) / 4 / turns_per_tick);
    edges = now;
    sqlite3_bind_int64(insert, 1, k);
    sqlite3_bind_int64(insert, 2, k * 2000);
    sqlite3_bind_int64(insert, 3, static_cast<long>(400'000 - 300'000 * share) + k % 801);
    sqlite3_bind_int64(insert, 4, edges);
    sqlite3_bind_int64(insert, 5, edge_tick);
    sqlite3_step(insert);
    sqlite3_reset(insert);
    if (k % 256 != 0 ||
        std::chrono::steady_clock::now() - committed < std::chrono::milliseconds(250))
      continue;
    run("COMMIT; BEGIN");
    committed = std::chrono::steady_clock::now();
  }
  run("COMMIT");
  const std::chrono::duration<double> took = std::chrono::steady_clock::now() - began;
  sqlite3_finalize(insert);
  run("PRAGMA wal_checkpoint(TRUNCATE)");
  sqlite3_close(db);
  std::printf("%.0f\n", static_cast<double>(rows) / took.count());
  return 0;
}
