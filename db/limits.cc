#include "db/limits.h"

#include <fmt/format.h>

#include <cmath>

#include "db/basis/error.h"
#include "db/sql/text.h"

namespace loadline {
namespace {

/// What the trade calls otherwise; null for all else.
const char* our_word(const PartField& field, const std::string& value) {
  struct Word {
    const char *field, *theirs, *ours;
  };
  static constexpr Word kWords[] = {
      {"type", "universal", "series"},        {"type", "commutator", "series"},
      {"type", "ac-series", "series"},        {"type", "dc", "permanent-magnet"},
      {"type", "pm", "permanent-magnet"},     {"type", "pmdc", "permanent-magnet"},
      {"type", "asynchronous", "induction"},  {"type", "shaded-pole", "induction"},
      {"type", "squirrel-cage", "induction"}, {"section", "vee", "v"},
      {"section", "o-ring", "round"},         {"role", "machine", "hand"},
      {"role", "handwheel", "hand"},
  };
  for (const Word& word : kWords)
    if (word.field == std::string(field.name) && word.theirs == value) return word.ours;
  return nullptr;
}

bool is_choice(const std::string& value, const std::string& choices) {
  return !value.empty() && value.find('|') == std::string::npos &&
         ("|" + choices + "|").find("|" + value + "|") != std::string::npos;
}

void require_number(const PartField& field, double value) {
  if (std::isfinite(value) && value >= field.low && value <= field.high) return;
  throw Error(Fault::kInput,
              fmt::format("--{} {:.10g} is outside {:.10g} to {:.10g}; check the unit in its name.",
                          field.name, value, field.low, field.high));
}

// "a|b|c" as "a, b or c".
std::string choice_words(std::string choices) {
  if (const std::size_t last = choices.rfind('|'); last != std::string::npos)
    choices.replace(last, 1, " or ");
  for (std::size_t at = 0; (at = choices.find('|', at)) != std::string::npos; at += 2)
    choices.replace(at, 1, ", ");
  return choices;
}

void require_text(const PartField& field, const std::string& value) {
  constexpr std::size_t kLongest = 1000;
  if (const char* ours = our_word(field, value))
    throw Error(Fault::kInput, fmt::format("--{} cannot be '{}': here that is called '{}'.",
                                           field.name, value, ours));
  if (field.choices && !is_choice(value, field.choices))
    throw Error(Fault::kInput, fmt::format("--{} cannot be '{}'; choose {}.", field.name, value,
                                           choice_words(field.choices)));
  if (value.empty() || value.size() > kLongest)
    throw Error(Fault::kInput, fmt::format("--{} takes 1 to {} bytes.", field.name, kLongest));
  require_note(value, fmt::format("--{}", field.name));
}

}  // namespace

void require_field(const PartField& field, const std::variant<double, std::string>& value) {
  if (field.type == PartField::Type::kNumber)
    require_number(field, std::get<double>(value));
  else
    require_text(field, std::get<std::string>(value));
}

void require_bench_inertia(double inertia_kgm2) {
  constexpr double kLargest = 100;
  if (inertia_kgm2 > kLargest)
    throw Error(Fault::kInput,
                fmt::format("--inertia-kgm2 {:g} is beyond anything on a bench; check its unit, "
                            "kg·m² (1 kg·cm² is 0.0001).",
                            inertia_kgm2));
}

}  // namespace loadline
