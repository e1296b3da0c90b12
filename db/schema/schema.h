// The book's layout in SQL and its history: one file per version, each with its upgrade.
//
// A shipped version is never edited; a change of structure is a new file vN.cc and one new line in
// upgrades(). Fields of parts are data about parts, not structure: a field that part_fields() has
// and the table has not becomes a column at the next opening for writing, without a new version,
// and an older program goes on reading such a book.
#pragma once

#include <optional>
#include <span>
#include <string>

struct sqlite3;

namespace loadline {

/// In the file's header, so that `file` and SQLite tell a book from other SQLite files: "LOAD".
inline constexpr int kApplicationId = 0x4C4F4144;

/// Brings a book from version `to - 1` to version `to`; runs inside one transaction.
struct Upgrade {
  int to;
  void (*apply)(sqlite3* db);
  std::string (*programs)() = nullptr;  ///< the SQL of its triggers and views, if it has any
};

/// All upgrades in order; the last one's `to` is the version that this program writes.
std::span<const Upgrade> upgrades();
int current_schema_version();

/// What the file says of itself.
int application_id(sqlite3* db);
int schema_version(sqlite3* db);

/// Applies what is missing of `steps` in one transaction; also makes an empty file a book. Safe
/// when several programs do it at once.
void upgrade_schema(sqlite3* db, std::span<const Upgrade> steps = upgrades());

/// Adds columns for part fields that the book's tables do not have yet.
void add_missing_field_columns(sqlite3* db);

/// Something in the book that SQLite would run by itself and that no version of Loadline made.
struct ForeignProgram {
  std::string type;  ///< "trigger", "view" or "virtual table"
  std::string name;
};

/// A view or virtual table in the place of one of Loadline's tables, which any reading would run.
std::optional<ForeignProgram> foreign_table(sqlite3* db);
/// Something else in the place of the views that `export` reads. Views of other names are nobody's
/// business: nothing of Loadline reads them.
std::optional<ForeignProgram> foreign_view(sqlite3* db);
/// A trigger, which writing would run.
std::optional<ForeignProgram> foreign_trigger(sqlite3* db);

/// "shaft-mm" → "shaft_mm".
std::string column_of_field(const std::string& field);

// The upgrades themselves.
void upgrade_to_v1(sqlite3* db);
std::string programs_of_v1();
void upgrade_to_v2(sqlite3* db);
std::string programs_of_v2();

}  // namespace loadline
