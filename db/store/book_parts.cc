// Book: rigs, motors, machines, pulleys, belts.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "db/basis/near_words.h"
#include "db/limits.h"
#include "db/schema/schema.h"
#include "db/sql/text.h"
#include "db/store/book_state.h"

namespace loadline {
namespace {

// Fields that this book has columns for: a book made by an older program may lack the newest.
std::vector<const PartField*> stored_fields(sqlite3* db, PartKind kind) {
  std::set<std::string> columns;
  Statement statement(db, "SELECT name FROM pragma_table_info(?)");
  statement.with(part_kind_name(kind));
  while (statement.step()) columns.insert(statement.text(0));
  std::vector<const PartField*> fields;
  for (const PartField& field : part_fields(kind))
    if (columns.count(column_of_field(field.name)) > 0) fields.push_back(&field);
  return fields;
}

const PartField* field_of(PartKind kind, const std::string& name) {
  for (const PartField& field : part_fields(kind))
    if (name == field.name) return &field;
  return nullptr;
}

void require_fields(const Part& part) {
  require_name(part.name, fmt::format("the name of the {}", part_kind_name(part.kind)));
  require_note(part.note, "the note");
  for (const auto& [name, value] : part.fields) {
    const PartField* field = field_of(part.kind, name);
    if (!field)
      throw Error(Fault::kInput,
                  fmt::format("a {0} has no field '{1}'; see 'loadline-db add {0} --help'.",
                              part_kind_name(part.kind), name));
    const bool is_number = std::holds_alternative<double>(value);
    if (is_number != (field->type == PartField::Type::kNumber))
      throw Error(Fault::kInput,
                  fmt::format("--{} takes {}.", name, is_number ? "words" : "a number"));
    require_field(*field, value);
  }
}

void bind_field(Statement& statement, int index, const Part& part, const PartField& field) {
  const auto found = part.fields.find(field.name);
  if (found == part.fields.end())
    statement.bind_null(index);
  else if (field.type == PartField::Type::kNumber)
    statement.bind(index, std::get<double>(found->second));
  else
    statement.bind(index, std::get<std::string>(found->second));
}

std::string select_parts(PartKind kind, const std::vector<const PartField*>& fields) {
  std::string sql = "SELECT id, uuid, name, note";
  for (const PartField* field : fields) sql += ", " + column_of_field(field->name);
  return sql + " FROM " + part_kind_name(kind);
}

Part read_part(const Statement& row, PartKind kind, const std::vector<const PartField*>& fields) {
  Part part{kind, row.whole(0), row.text(1), row.text(2), row.text(3), {}};
  int column = 4;
  for (const PartField* field : fields) {
    if (!row.is_null(column)) {
      if (field->type == PartField::Type::kNumber)
        part.fields[field->name] = row.real(column);
      else
        part.fields[field->name] = row.text(column);
    }
    ++column;
  }
  return part;
}

std::optional<Part> find_by_name(const Book& book, PartKind kind, const std::string& name) {
  const auto fields = stored_fields(book.handle(), kind);
  Statement select(book.handle(), select_parts(kind, fields) + " WHERE name = ?");
  select.with(name);
  if (!select.step()) return std::nullopt;
  return read_part(select, kind, fields);
}

// As a person would type it for a shell.
std::string in_quotes(const std::string& name) {
  return name.find(' ') == std::string::npos ? name : "\"" + name + "\"";
}

}  // namespace

std::int64_t Book::add(const Part& part) {
  require_fields(part);
  if (!part.uuid.empty())
    require_uuid(part.uuid, fmt::format("the {} '{}'", part_kind_name(part.kind), part.name));
  Scope scope(handle(), state_->writers);
  const char* kind = part_kind_name(part.kind);
  if (has(part.kind, part.name))
    throw Error(
        Fault::kInput,
        fmt::format("there is already a {0} named '{1}'; change it with 'loadline-db set {0} "
                    "…' or choose another name.",
                    kind, part.name));
  const auto fields = stored_fields(handle(), part.kind);
  std::string sql = fmt::format("INSERT INTO {} (uuid, name, note", kind), marks = "?, ?, ?";
  for (const PartField* field : fields) {
    sql += ", " + column_of_field(field->name);
    marks += ", ?";
  }
  Statement insert(handle(), sql + ") VALUES (" + marks + ")");
  insert.with(part.uuid.empty() ? new_uuid() : part.uuid, part.name, part.note);
  int index = 4;
  for (const PartField* field : fields) bind_field(insert, index++, part, *field);
  insert.run();
  const std::int64_t id = sqlite3_last_insert_rowid(handle());
  scope.commit();
  return id;
}

void Book::update(const Part& part) {
  require_fields(part);
  Scope scope(handle(), state_->writers);
  const char* kind = part_kind_name(part.kind);
  const auto other = find_by_name(*this, part.kind, part.name);
  if (other && other->id != part.id)
    throw Error(Fault::kInput, fmt::format("there is already a {} named '{}'; choose another name.",
                                           kind, part.name));
  const auto fields = stored_fields(handle(), part.kind);
  std::string sql = fmt::format("UPDATE {} SET name = ?, note = ?", kind);
  for (const PartField* field : fields) sql += ", " + column_of_field(field->name) + " = ?";
  Statement update(handle(), sql + " WHERE id = ?");
  update.with(part.name, part.note);
  int index = 3;
  for (const PartField* field : fields) bind_field(update, index++, part, *field);
  update.bind(index, part.id);
  update.run();
  if (sqlite3_changes(handle()) != 1)
    throw Error(Fault::kInput, fmt::format("there is no {} with the number {}.", kind, part.id));
  scope.commit();
}

bool Book::has(PartKind kind, const std::string& name) const {
  return find_by_name(*this, kind, name).has_value();
}

std::optional<Part> Book::find(PartKind kind, const std::string& name) const {
  auto found = find_by_name(*this, kind, name);
  if (found || state_->layout < 2) return found;
  Statement joined(handle(),
                   "SELECT into_id FROM joined WHERE kind = ? AND name = ? "
                   "ORDER BY made_utc DESC LIMIT 1");
  if (joined.with(part_kind_name(kind), name).step()) return part(kind, joined.whole(0));
  return std::nullopt;
}

Part Book::get(PartKind kind, const std::string& name) const {
  if (const auto part = find(kind, name)) return *part;
  std::vector<std::string> known;
  Statement names(handle(), fmt::format("SELECT name FROM {} ORDER BY name", part_kind_name(kind)));
  while (names.step()) known.push_back(names.text(0));
  if (known.empty())
    throw Error(Fault::kInput,
                fmt::format("there is no {0} in the book {1} yet; add it with 'loadline-db add {0} "
                            "{2}'.",
                            part_kind_name(kind), path(), in_quotes(name)));
  const std::string hint = closest_words(name, known);
  throw Error(
      Fault::kInput,
      fmt::format(
          "there is no {0} named '{1}' in the book {2}{3}", part_kind_name(kind), name, path(),
          hint.empty() ? fmt::format("; 'loadline-db list {}s' shows them.", part_kind_name(kind))
                       : hint));
}

Part Book::part(PartKind kind, std::int64_t id) const {
  const auto fields = stored_fields(handle(), kind);
  Statement select(handle(), select_parts(kind, fields) + " WHERE id = ?");
  select.with(id);
  if (!select.step())
    throw Error(Fault::kInput,
                fmt::format("there is no {} with the number {}.", part_kind_name(kind), id));
  return read_part(select, kind, fields);
}

std::vector<Part> Book::parts(PartKind kind) const {
  const auto fields = stored_fields(handle(), kind);
  Statement select(handle(), select_parts(kind, fields) + " ORDER BY name");
  std::vector<Part> parts;
  while (select.step()) parts.push_back(read_part(select, kind, fields));
  return parts;
}

}  // namespace loadline
