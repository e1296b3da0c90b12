#include "logger/live/bench_task.h"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "db/basis/quantity.h"
#include "db/care/plausible.h"
#include "fit/readings/load_cell.h"
#include "logger/live/plain_words.h"
#include "logger/live/typed_number.h"

namespace loadline {
namespace {

std::string text_in(const Json& task, const char* key) {
  if (!task.is_object()) return {};
  const auto found = task.find(key);
  return found != task.end() && found->is_string() ? found->get<std::string>() : std::string();
}

/// What looks odd but may be meant; the page asks and sends the task again.
Json question(const std::string& oddity) { return {{"asks", {on_page(oddity)}}}; }

Json add_part(Book& book, const Json& task) {
  Part part;
  const auto kind = part_kind_from_name(text_in(task, "kind"));
  if (!kind) throw Error(Fault::kInput, "the page enters no such part.");
  part.kind = *kind;
  part.name = text_in(task, "name");
  if (part.name.empty()) throw Error(Fault::kInput, "a part needs a name.");
  const Json fields = task.value("fields", Json::object());
  if (!fields.is_object()) throw Error(Fault::kInput, "the part's fields cannot be read.");
  for (const PartField& field : part_fields(*kind)) {
    const auto given = fields.find(field.name);
    if (given == fields.end() || given->is_null()) continue;
    if (field.type == PartField::Type::kNumber) {
      if (const auto value = typed_number(fields, field.name, unit_of_option(field.name)))
        part.fields[field.name] = *value;
    } else if (given->is_string()) {
      part.fields[field.name] = given->get<std::string>();
    } else {
      throw Error(Fault::kInput,
                  fmt::format("'{}' of '{}' cannot be read.", field.name, part.name));
    }
  }
  if (const std::string odd = odd_name(book, part); !odd.empty() && !task.value("meant", false))
    return question(odd);
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

Json keep_calibration(Book& book, const Part& rig, const PageCalibration& points, bool meant) {
  Calibration calibration = points.fit(rig).calibration;
  calibration.rig = rig.id;
  const auto odd =
      odd_calibration(points.heaviest_g(), calibration, book.latest_calibration(rig.id));
  if (!odd.empty() && !meant) {
    Json asks = Json::array();
    for (const std::string& oddity : odd) asks.push_back(on_page(oddity));
    return {{"asks", asks}};
  }
  book.add_calibration(calibration);
  return {{"done", "calibrated"}, {"name", rig.name}};
}

}  // namespace loadline
