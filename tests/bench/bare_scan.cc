// The limit that fits of long runs are held against: SQLite's own speed in handing out their rows.
//   bare_scan FILE TABLE   prints the sum of all numbers in it
#include <sqlite3.h>

#include <cstdio>
#include <string>

int main(int argc, char** argv) {
  if (argc < 3) return std::fprintf(stderr, "bare_scan FILE TABLE\n"), 2;
  sqlite3* db = nullptr;
  sqlite3_stmt* select = nullptr;
  sqlite3_open_v2(argv[1], &db, SQLITE_OPEN_READONLY | SQLITE_OPEN_NOMUTEX, nullptr);
  const std::string sql = std::string("SELECT * FROM ") + argv[2];
  if (sqlite3_prepare_v2(db, sql.c_str(), -1, &select, nullptr) != SQLITE_OK)
    return std::fprintf(stderr, "bare_scan: %s\n", sqlite3_errmsg(db)), 1;
  double sum = 0;
  while (sqlite3_step(select) == SQLITE_ROW)
    for (int c = 0; c < sqlite3_column_count(select); ++c) sum += sqlite3_column_double(select, c);
  sqlite3_finalize(select);
  sqlite3_close(db);
  std::printf("%g\n", sum);
  return 0;
}
