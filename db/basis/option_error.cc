#include "db/basis/option_error.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <typeinfo>
#include <vector>

#include "db/basis/near_words.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

// A character that no template contains stands for the typed '%' while Boost fills it in.
constexpr char kStandIn = '\x01';

// Opens the protected members; nothing is ever made of this type.
struct Opened : po::error_with_option_name {
  static std::map<std::string, std::string>& typed(po::error_with_option_name& error) {
    return error.*(&Opened::m_substitutions);
  }
};

std::string without_dashes(const std::string& name) {
  const std::size_t start = name.find_first_not_of('-');
  return start == std::string::npos ? "" : name.substr(start);
}

std::string typed(po::error_with_option_name& error, const std::string& what) {
  const auto& all = Opened::typed(error);
  const auto found = all.find(what);
  return found == all.end() ? "" : found->second;
}

std::string named(const po::error_with_option_name& error, const std::string& dashes) {
  return dashes + without_dashes(error.get_option_name());
}

std::string unknown_option(const po::error_with_option_name& error,
                           const po::options_description& options, const std::string& dashes) {
  std::string typed = error.get_option_name();
  typed.erase(std::min(typed.find('='), typed.size()));
  std::vector<std::string> known;
  for (const auto& option : options.options()) known.push_back(option->long_name());
  const std::string near = closest_word(without_dashes(typed), known);
  return fmt::format("there is no {} '{}'{}", dashes.empty() ? "key" : "option", typed,
                     near.empty() ? "" : fmt::format(", did you mean '{}{}'?", dashes, near));
}

// What the option takes instead of `value`.
std::string wrong_value(const std::string& name, const std::string& value,
                        const po::options_description& options) {
  const auto* option = options.find_nothrow(without_dashes(name), false);
  const auto* type =
      option ? dynamic_cast<const po::typed_value_base*>(option->semantic().get()) : nullptr;
  if (type && type->value_type() == typeid(double))
    return fmt::format(
        "{} '{}' is not a number; write it with a decimal point and without its unit, such as "
        "230.5",
        name, value);
  if (type && (type->value_type() == typeid(long long) || type->value_type() == typeid(int)))
    return fmt::format("{} '{}' is not a whole number; write digits only", name, value);
  return fmt::format("{} cannot be '{}'", name, value);
}

std::string syntax_fault(const po::invalid_command_line_syntax& fault, const std::string& name) {
  using Syntax = po::invalid_syntax;
  if (fault.kind() == Syntax::missing_parameter || fault.kind() == Syntax::empty_adjacent_parameter)
    return fmt::format("{} needs a value after it", name);
  if (fault.kind() == Syntax::extra_parameter) return fmt::format("{} takes no value", name);
  return fmt::format("{} is not written as an option", name);
}

std::string boosts_own_words(po::error_with_option_name& error) {
  for (auto& [placeholder, text] : Opened::typed(error))
    std::replace(text.begin(), text.end(), '%', kStandIn);
  std::string sentence = error.what();
  std::replace(sentence.begin(), sentence.end(), kStandIn, '%');
  return sentence;
}

}  // namespace

std::string option_error_text(po::error& error, const po::options_description& options,
                              const std::string& dashes) {
  auto* const about = dynamic_cast<po::error_with_option_name*>(&error);
  if (!about) return error.what();
  if (dynamic_cast<const po::unknown_option*>(about))
    return unknown_option(*about, options, dashes);
  const std::string name = named(*about, dashes);
  if (dynamic_cast<const po::multiple_occurrences*>(about))
    return fmt::format("{} is given more than once; give it once", name);
  if (const auto* fault = dynamic_cast<const po::invalid_command_line_syntax*>(about))
    return syntax_fault(*fault, name);
  if (dynamic_cast<const po::invalid_config_file_syntax*>(about))
    return fmt::format("'{}' is neither a [section] nor a line 'key = value'",
                       typed(*about, "invalid_line"));
  if (dynamic_cast<const po::validation_error*>(about))
    return wrong_value(name, typed(*about, "value"), options);
  return boosts_own_words(*about);
}

}  // namespace loadline
