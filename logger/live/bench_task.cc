#include "logger/live/bench_task.h"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

namespace loadline {
namespace {

std::string text_in(const Json& task, const char* key) {
  if (!task.is_object()) return {};
  const auto found = task.find(key);
  return found != task.end() && found->is_string() ? found->get<std::string>() : std::string();
}

Json add_part(Book& book, const Json& task) {
  Part part;
  const auto kind = part_kind_from_name(text_in(task, "kind"));
  if (!kind || *kind == PartKind::kRig) throw Error(Fault::kInput, "the page enters no such part.");
  part.kind = *kind;
  part.name = text_in(task, "name");
  if (part.name.empty()) throw Error(Fault::kInput, "a part needs a name.");
  const Json fields = task.value("fields", Json::object());
  if (!fields.is_object()) throw Error(Fault::kInput, "the part's fields cannot be read.");
  for (const PartField& field : part_fields(*kind)) {
    const auto given = fields.find(field.name);
    if (given == fields.end() || given->is_null()) continue;
    if (field.type == PartField::Type::kNumber && given->is_number())
      part.fields[field.name] = given->get<double>();
    else if (field.type == PartField::Type::kText && given->is_string())
      part.fields[field.name] = given->get<std::string>();
    else
      throw Error(Fault::kInput,
                  fmt::format("'{}' of '{}' cannot be read.", field.name, part.name));
  }
  book.add(part);
  return {{"done", "entered"}, {"kind", part_kind_name(*kind)}, {"name", part.name}};
}

Json put_aside(Book& book, const Json& task) {
  const auto number = task.find("run");
  if (number == task.end() || !number->is_number_integer())
    throw Error(Fault::kInput, "which run?");
  Run run = book.run(number->get<std::int64_t>());
  if (run.state == RunState::kOpen)
    throw Error(Fault::kInput, fmt::format("run {} is still being recorded.", run.id));
  const bool aside = task.value("aside", true);
  run.aside = aside ? "put aside on the page" : "";
  book.update_run(run);
  return {{"done", aside ? "aside" : "used again"}, {"run", run.id}};
}

}  // namespace

Json carry_out_task(Book& book, const Json& task) {
  try {
    const std::string what = text_in(task, "task");
    if (what == "part") return add_part(book, task);
    if (what == "aside") return put_aside(book, task);
  } catch (const Json::exception&) {  // a value of another kind than the page sends
    throw Error(Fault::kInput, "the task cannot be read.");
  }
  throw Error(Fault::kInput, "the page has no such task.");
}

}  // namespace loadline
