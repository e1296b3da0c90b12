#include "db/schema/schema.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <set>

#include "db/basis/error.h"
#include "db/parts.h"
#include "db/sql/statement.h"

namespace loadline {
namespace {

constexpr std::array kUpgrades = {Upgrade{1, upgrade_to_v1, programs_of_v1},
                                  Upgrade{2, upgrade_to_v2, programs_of_v2}};

int pragma_number(sqlite3* db, const char* name) {
  Statement statement(db, fmt::format("PRAGMA {}", name));
  return statement.step() ? static_cast<int>(statement.whole(0)) : 0;
}

std::string quoted_choices(const std::string& choices) {
  std::string out = "'";
  for (const char c : choices) out += c == '|' ? "','" : std::string(1, c);
  return out + "'";
}

std::string column_definition(const PartField& field) {
  const std::string column = column_of_field(field.name);
  if (field.type == PartField::Type::kNumber)
    return fmt::format("{0} REAL CHECK ({0} BETWEEN {1} AND {2})", column, field.low, field.high);
  if (field.choices)
    return fmt::format("{0} TEXT CHECK ({0} IN ({1}))", column, quoted_choices(field.choices));
  return fmt::format("{0} TEXT CHECK (length({0}) BETWEEN 1 AND 1000)", column);
}

std::set<std::string> columns_of(sqlite3* db, const char* table) {
  std::set<std::string> columns;
  Statement statement(db, "SELECT name FROM pragma_table_info(?)");
  statement.with(table);
  while (statement.step()) columns.insert(statement.text(0));
  return columns;
}

bool is_ours(const std::string& sql) {
  return std::any_of(kUpgrades.begin(), kUpgrades.end(), [&](const Upgrade& step) {
    return step.programs && !sql.empty() && step.programs().find(sql) != std::string::npos;
  });
}

std::optional<ForeignProgram> first_foreign(sqlite3* db, const char* where) {
  Statement select(db, std::string("SELECT type, name, sql FROM sqlite_schema WHERE ") + where);
  while (select.step())
    if (!is_ours(select.text(2)))
      return ForeignProgram{select.text(0) == "table" ? "virtual table" : select.text(0),
                            select.text(1)};
  return std::nullopt;
}

}  // namespace

std::span<const Upgrade> upgrades() { return kUpgrades; }
int current_schema_version() { return kUpgrades.back().to; }
int application_id(sqlite3* db) { return pragma_number(db, "application_id"); }
int schema_version(sqlite3* db) { return pragma_number(db, "user_version"); }

void upgrade_schema(sqlite3* db, std::span<const Upgrade> steps) {
  if (schema_version(db) >= steps.back().to) return;
  execute(db, "BEGIN IMMEDIATE");
  try {
    // Asked again: another program may have upgraded while this one waited for the lock.
    for (const Upgrade& step : steps) {
      if (schema_version(db) >= step.to) continue;
      step.apply(db);
      execute(db, fmt::format("PRAGMA application_id = {}; PRAGMA user_version = {}",
                              kApplicationId, step.to));
    }
    execute(db, "COMMIT");
  } catch (...) {
    if (!sqlite3_get_autocommit(db)) sqlite3_exec(db, "ROLLBACK", nullptr, nullptr, nullptr);
    throw;
  }
}

void add_missing_field_columns(sqlite3* db) {
  for (const PartKind kind : all_part_kinds()) {
    const std::set<std::string> present = columns_of(db, part_kind_name(kind));
    for (const PartField& field : part_fields(kind))
      if (present.count(column_of_field(field.name)) == 0)
        execute(db, fmt::format("ALTER TABLE {} ADD COLUMN {}", part_kind_name(kind),
                                column_definition(field)));
  }
}

std::optional<ForeignProgram> foreign_table(sqlite3* db) {
  return first_foreign(
      db,
      "(type = 'view' OR (type = 'table' AND sql LIKE 'CREATE VIRTUAL%')) AND lower(name) IN "
      "('book', 'document', 'rig', 'motor', 'machine', 'pulley', 'belt', 'run', 'sample', "
      "'imported', 'event', 'zero', 'calibration', 'curve', 'curve_run', 'imported_sd', "
      "'run_change', 'joined', 'subject_event')");
}

std::optional<ForeignProgram> foreign_view(sqlite3* db) {
  return first_foreign(
      db,
      "type IN ('view', 'table') AND lower(name) IN ('torque_scale', 'sample_step', 'reading')");
}

std::optional<ForeignProgram> foreign_trigger(sqlite3* db) {
  return first_foreign(db, "type = 'trigger'");
}

std::string column_of_field(const std::string& field) {
  std::string column = field;
  std::replace(column.begin(), column.end(), '-', '_');
  return column;
}

}  // namespace loadline
