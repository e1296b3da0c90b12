#include "db/basis/command_line.h"

#include <unistd.h>

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <csignal>
#include <cstdlib>
#include <cstring>
#include <exception>
#include <iostream>
#include <new>

#include "db/basis/command_completion.h"
#include "db/basis/command_help.h"
#include "db/basis/near_words.h"
#include "db/basis/option_error.h"
#include "db/basis/quantity.h"
#include "db/basis/terminal.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

std::string g_program_name = "loadline";

// The words that belong to no option, as Boost knows them.
constexpr const char* kNames = "loadline-names";

/// A number that begins with a minus is a value, not an option.
std::vector<po::option> negative_number(std::vector<std::string>& rest) {
  std::vector<po::option> found;
  const std::string& word = rest.front();
  if (word.size() > 1 && word[0] == '-' && (std::isdigit(word[1]) || word[1] == '.')) {
    po::option option;
    option.value.push_back(word);
    option.original_tokens.push_back(word);
    option.position_key = INT_MAX;
    found.push_back(option);
    rest.erase(rest.begin());
  }
  return found;
}

/// A number that carries its unit ("1.25in") becomes one in the unit of the option.
void take_unit(const po::options_description& options, po::option& option) {
  const auto* known = options.find_nothrow(option.string_key, false);
  const auto* type =
      known ? dynamic_cast<const po::typed_value_base*>(known->semantic().get()) : nullptr;
  if (!type || type->value_type() != typeid(double) || option.value.size() != 1) return;
  std::string& text = option.value.front();
  if (text.find_first_not_of("+-.0123456789eE") == std::string::npos) return;  // no unit
  const std::string unit = unit_of_option(option.string_key);
  if (unit.empty()) return;
  try {
    if (const auto value = read_quantity(text, unit)) text = fmt::format("{:.17g}", *value);
  } catch (const Error& error) {
    throw Error(Fault::kInput, fmt::format("--{} {}", option.string_key, error.what()));
  }
}

po::variables_map parsed(const po::options_description& options,
                         const std::vector<std::string>& words) {
  po::positional_options_description names;
  names.add(kNames, -1);
  using namespace po::command_line_style;
  po::variables_map values;
  po::parsed_options typed = po::command_line_parser(words)
                                 .options(options)
                                 .positional(names)
                                 .style(unix_style & ~allow_guessing)
                                 .extra_style_parser(negative_number)
                                 .run();
  for (po::option& option : typed.options) take_unit(options, option);
  po::store(typed, values);
  po::notify(values);
  return values;
}

std::string help_of(const Verb& verb) {
  return fmt::format("'{}{}{} --help'", g_program_name, verb.name.empty() ? "" : " ", verb.name);
}

int run_verb(const Verb& verb, const std::vector<std::string>& words) {
  po::options_description options = verb.options;
  options.add_options()(kNames, po::value<std::vector<std::string>>());
  po::variables_map values;
  try {
    values = parsed(options, words);
  } catch (po::error& error) {
    throw Error(Fault::kInput,
                fmt::format("{} ({} shows all).", option_error_text(error, verb.options, "--"),
                            help_of(verb)));
  }
  std::vector<std::string> given;
  if (values.count(kNames)) given = values[kNames].as<std::vector<std::string>>();
  if (given.size() > verb.most_names)
    throw Error(Fault::kInput, fmt::format("'{}' is one word too many here; names with spaces need "
                                           "quotes ({} shows the usage).",
                                           given[verb.most_names], help_of(verb)));
  return verb.run(Arguments(std::move(values), std::move(given)));
}

bool is_help(const std::string& word) { return word == "--help" || word == "-h"; }

// A word right after the verb that is among its first words, else "".
std::string first_word_of(const Verb& verb, const std::vector<std::string>& words) {
  if (!verb.option_fits || words.size() < 2) return "";
  return (" " + verb.first_words + " ").find(" " + words[1] + " ") == std::string::npos ? ""
                                                                                        : words[1];
}

// --book and --json belong to every verb, and hands type them before it as well.
std::vector<std::string> verb_first(const std::vector<std::string>& words) {
  std::size_t at = 0;
  while (at < words.size()) {
    if (words[at] == "--book" && at + 1 < words.size())
      at += 2;
    else if (words[at] == "--json" || words[at].starts_with("--book="))
      ++at;
    else
      break;
  }
  if (at == words.size()) return words;
  std::vector<std::string> ordered{words[at]};
  ordered.insert(ordered.end(), words.begin(), words.begin() + static_cast<std::ptrdiff_t>(at));
  ordered.insert(ordered.end(), words.begin() + static_cast<std::ptrdiff_t>(at) + 1, words.end());
  return ordered;
}

// A name in a book from elsewhere, or a line that a rig printed, may hold what would move a
// terminal's cursor or worse.
std::string without_controls(const std::string& text) {
  std::string out;
  for (std::size_t i = 0; i < text.size(); ++i) {
    const auto byte = static_cast<unsigned char>(text[i]);
    const auto next = static_cast<unsigned char>(i + 1 < text.size() ? text[i + 1] : 0);
    // U+0080 to U+009F are two bytes in UTF-8.
    const bool is_c1 = byte == 0xC2 && next >= 0x80 && next <= 0x9F;
    const bool is_c0 = (byte < 0x20 && byte != '\n' && byte != '\t') || byte == 0x7F;
    out += is_c0 || is_c1 ? '?' : text[i];
    if (is_c1) ++i;
  }
  return out;
}

// The book where no verb is given: the usual one, or that of --book; empty where anything else is.
std::optional<std::string> book_alone(const std::vector<std::string>& words) {
  const std::string option = "--book";
  if (words.empty()) return usual_book_path();
  if (words.size() == 2 && words[0] == option) return words[1];
  if (words.size() == 1 && words[0].starts_with(option + "="))
    return words[0].substr(option.size() + 1);
  return std::nullopt;
}

int dispatch(const Program& program, const std::vector<std::string>& given) {
  const bool single = program.verbs.size() == 1 && program.verbs[0].name.empty();
  const std::vector<std::string> words = single ? given : verb_first(given);
  const std::string first = words.empty() ? "" : words[0];
  if (first == "--version") {
    std::cout << program.name << " " << LOADLINE_VERSION << "\n";
    return 0;
  }
  if (first == "--man") return print_man_page(program), 0;
  if (first == "--completion") return print_completion(program), 0;
  if (is_help(first) || (!single && first == "help")) return print_program_help(program), 0;
  if (single) return run_verb(program.verbs[0], words);
  const std::optional<std::string> only_book = book_alone(words);
  if (only_book && program.bare) {
    if (const std::string text = program.bare(*only_book); !text.empty()) {
      std::cout << without_controls(text) << "\n";
      return 0;
    }
  }
  if (words.empty())
    throw Error(Fault::kInput,
                fmt::format("a verb is missing; '{} --help' lists them.", program.name));
  for (const Verb& verb : program.verbs) {
    if (verb.name != first) continue;
    if (std::any_of(words.begin(), words.end(), is_help))
      return print_verb_help(program, verb, first_word_of(verb, words)), 0;
    return run_verb(verb, {words.begin() + 1, words.end()});
  }
  std::vector<std::string> verbs;
  for (const Verb& verb : program.verbs) verbs.push_back(verb.name);
  const std::string near = closest_word(first, verbs);
  throw Error(Fault::kInput,
              fmt::format("'{}' is no verb of {}{}; '{} --help' lists them.", first, program.name,
                          near.empty() ? "" : " (did you mean '" + near + "'?)", program.name));
}

const char* const kNoMemory = "out of memory; close other programs or work on a smaller run.";

// Where memory runs out inside what may throw nothing. A JSON document's destructor is such a
// place: it asks for some, to take deep documents apart without recursion.
[[noreturn]] void end_without_memory() {
  try {
    if (const std::exception_ptr thrown = std::current_exception()) std::rethrow_exception(thrown);
  } catch (const std::bad_alloc&) {
    for (const char* const part : {g_program_name.c_str(), ": ", kNoMemory, "\n"})
      if (::write(STDERR_FILENO, part, std::strlen(part)) < 0) break;
    ::_exit(static_cast<int>(Fault::kInput));
  } catch (...) {
  }
  std::abort();
}

}  // namespace

Arguments::Arguments(po::variables_map values, std::vector<std::string> names)
    : values_(std::move(values)), names_(std::move(names)) {}

bool Arguments::flag(const std::string& option) const {
  return values_.count(option) > 0 && values_[option].as<bool>();
}

std::optional<double> Arguments::number(const std::string& option) const {
  if (!has(option)) return std::nullopt;
  const double value = values_[option].as<double>();
  if (!std::isfinite(value))
    throw Error(Fault::kInput, fmt::format("--{} must be a finite number.", option));
  return value;
}

std::optional<std::string> Arguments::text(const std::string& option) const {
  if (!has(option)) return std::nullopt;
  return values_[option].as<std::string>();
}

std::optional<long long> Arguments::whole(const std::string& option) const {
  if (!has(option)) return std::nullopt;
  return values_[option].as<long long>();
}

std::vector<std::string> Arguments::texts(const std::string& option) const {
  if (!has(option)) return {};
  return values_[option].as<std::vector<std::string>>();
}

const std::string& Arguments::name(std::size_t index, const std::string& what) const {
  if (index >= names_.size())
    throw Error(Fault::kInput,
                fmt::format("{} is missing; add --help to see how it is written.", what));
  return names_[index];
}

std::string usual_book_path() {
  const char* environment = std::getenv("LOADLINE_BOOK");
  return environment && *environment ? environment : "bench.book";
}

std::string Arguments::book_path() const {
  if (const auto given = text("book")) return *given;
  return usual_book_path();
}

void add_common_options(po::options_description& options, bool without_book) {
  if (!without_book)
    options.add_options()("book", po::value<std::string>()->value_name("FILE"),
                          "the book (else $LOADLINE_BOOK, else bench.book)");
  options.add_options()("json", po::bool_switch(), "one JSON document on standard output");
}

int run_program(const Program& program, int argc, const char* const* argv) {
  g_program_name = program.name;
  std::set_terminate(end_without_memory);
  // A file at the session's size limit is an error to report, not a reason to die.
  std::signal(SIGXFSZ, SIG_IGN);
  const auto complain = [&](const std::string& sentence) {
    std::cout.flush();
    std::cerr << program.name << ": " << without_controls(sentence) << "\n";
  };
  try {
    const int status = dispatch(program, {argv + 1, argv + argc});
    std::cout.flush();
    if (!std::cout) throw Error(Fault::kInput, "standard output could not be written to.");
    return status;
  } catch (const Error& error) {
    complain(error.what());
    return error.exit_status();
  } catch (const std::bad_alloc&) {
    complain(kNoMemory);
    return static_cast<int>(Fault::kInput);
  } catch (const std::exception& error) {
    complain(
        fmt::format("internal fault ({}); please report it with the command line.", error.what()));
    return static_cast<int>(Fault::kInput);
  }
}

void print_json(const Json& document) {
  std::cout << document.dump(2, ' ', false, Json::error_handler_t::replace) << "\n";
}

void say(const Arguments& arguments, const std::string& text) {
  const std::size_t width = terminal_width(arguments.json() ? STDERR_FILENO : STDOUT_FILENO);
  (arguments.json() ? std::cerr : std::cout) << folded(without_controls(text), width) << "\n";
}

void warn(const std::string& sentence) {
  std::cout.flush();
  std::cerr << folded(g_program_name + ": warning: " + without_controls(sentence),
                      terminal_width(STDERR_FILENO))
            << "\n";
}

const std::string& program_name() { return g_program_name; }

}  // namespace loadline
