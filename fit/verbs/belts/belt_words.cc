// What the verbs about belts share: sizes from the book or from options, lists of numbers.
#include <fmt/format.h>

#include <cstdlib>
#include <sstream>

#include "db/book.h"
#include "db/limits.h"
#include "fit/verbs/belts/belt_verbs.h"

namespace loadline {

namespace po = boost::program_options;

Part part_from(const Arguments& arguments, PartKind kind, const std::string& by) {
  Part part;
  part.kind = kind;
  part.name = std::string("the ") + part_kind_name(kind);
  if (const auto name = arguments.text(by))
    part = Book::open(arguments.book_path(), Book::Mode::kRead).get(kind, *name);
  for (const PartField& field : part_fields(kind)) {
    if (!arguments.has(field.name)) continue;
    if (field.type == PartField::Type::kText)
      part.fields[field.name] = *arguments.text(field.name);
    else
      part.fields[field.name] = *arguments.number(field.name);
    require_field(field, part.fields[field.name]);
  }
  return part;
}

void add_part_options(po::options_description& options, PartKind kind) {
  for (const PartField& field : part_fields(kind)) {
    if (field.type == PartField::Type::kNumber)
      options.add_options()(field.name, po::value<double>()->value_name("X"), field.help);
    else
      options.add_options()(
          field.name, po::value<std::string>()->value_name(field.choices ? field.choices : "WORD"),
          field.help);
  }
}

std::vector<double> numbers_in(const Arguments& arguments, const std::string& option) {
  std::vector<double> numbers;
  const auto text = arguments.text(option);
  if (!text) return numbers;
  std::istringstream words(*text);
  for (std::string word; std::getline(words, word, ',');) {
    char* end = nullptr;
    const double value = std::strtod(word.c_str(), &end);
    if (word.empty() || *end != '\0' || !(value > 0) || value > 1e5)
      throw Error(Fault::kInput,
                  fmt::format("--{}: '{}' is no length above 0; separate lengths by commas, as in "
                              "--{} 590,600,610.",
                              option, word, option));
    numbers.push_back(value);
  }
  return numbers;
}

}  // namespace loadline
