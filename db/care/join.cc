#include "db/care/join.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "db/care/shown.h"
#include "db/sql/statement.h"

namespace loadline {
namespace {

struct Reference {
  const char* table;
  const char* column;
  PartKind kind;
};

// Everything that refers to a part by its row.
constexpr Reference kReferences[] = {
    {"run", "rig_id", PartKind::kRig},
    {"run", "motor_id", PartKind::kMotor},
    {"run", "machine_id", PartKind::kMachine},
    {"run", "belt_id", PartKind::kBelt},
    {"run", "motor_pulley_id", PartKind::kPulley},
    {"run", "hand_pulley_id", PartKind::kPulley},
    {"zero", "rig_id", PartKind::kRig},
    {"calibration", "rig_id", PartKind::kRig},
    {"curve", "motor_id", PartKind::kMotor},
    {"curve", "machine_id", PartKind::kMachine},
    {"subject_event", "motor_id", PartKind::kMotor},
    {"subject_event", "machine_id", PartKind::kMachine},
    {"subject_event", "belt_id", PartKind::kBelt},
};

std::vector<std::int64_t> rows_of(const Book& book, const std::string& table, const Part& part) {
  std::string where;
  for (const Reference& r : kReferences)
    if (r.table == table && r.kind == part.kind)
      where += fmt::format("{}{} = {}", where.empty() ? "" : " OR ", r.column, part.id);
  std::vector<std::int64_t> rows;
  if (where.empty()) return rows;
  Statement select(book.handle(),
                   fmt::format("SELECT id FROM {} WHERE {} ORDER BY id", table, where));
  while (select.step()) rows.push_back(select.whole(0));
  return rows;
}

void point_to(const Book& book, PartKind kind, std::int64_t from, std::int64_t to) {
  for (const Reference& r : kReferences) {
    if (r.kind != kind) continue;
    Statement update(book.handle(),
                     fmt::format("UPDATE {0} SET {1} = ? WHERE {1} = ?", r.table, r.column));
    update.with(to, from).run();
  }
  Statement earlier(book.handle(), "UPDATE joined SET into_id = ? WHERE kind = ? AND into_id = ?");
  earlier.with(to, part_kind_name(kind), from).run();
}

void take_over(const Part& joined, Part& kept, JoinResult& result) {
  for (const auto& [field, value] : joined.fields) {
    const auto [place, added] = kept.fields.emplace(field, value);
    if (added) result.completed.push_back(field);
    if (place->second != value)
      result.differences.push_back(
          fmt::format("{} differs; that of '{}' is kept", field, kept.name));
  }
}

JoinedPart record_of(const Part& joined, const JoinResult& result) {
  Json was = part_json(joined);
  was["runs"] = result.runs;
  was["curves"] = result.curves;
  return {joined.uuid, joined.kind, joined.name, result.into, was.dump(), ""};
}

}  // namespace

JoinResult join_parts(Book& book, PartKind kind, const std::string& name, const std::string& into) {
  Book::Transaction transaction(book);
  const Part joined = book.get(kind, name);
  Part kept = book.get(kind, into);
  if (joined.id == kept.id)
    throw Error(Fault::kInput, fmt::format("'{}' and '{}' are one {} already; nothing to join.",
                                           name, into, part_kind_name(kind)));
  JoinResult result;
  result.into = kept.id;
  result.runs = rows_of(book, "run", joined);
  result.curves = rows_of(book, "curve", joined);
  take_over(joined, kept, result);
  if (!joined.note.empty())
    kept.note += fmt::format("{}{}: {}", kept.note.empty() ? "" : "\n", joined.name, joined.note);
  point_to(book, kind, joined.id, kept.id);
  Statement gone(book.handle(), fmt::format("DELETE FROM {} WHERE id = ?", part_kind_name(kind)));
  gone.with(joined.id).run();
  book.update(kept);
  book.add_joined(record_of(joined, result));
  transaction.commit();
  return result;
}

}  // namespace loadline
