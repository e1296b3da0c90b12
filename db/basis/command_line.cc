#include "db/basis/command_line.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <csignal>
#include <cstdlib>
#include <iostream>
#include <sstream>

#include "db/basis/option_error.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

std::string g_program_name = "loadline";

std::string first_option_words(const Verb& verb) {
  return verb.name.empty() ? verb.words : verb.name + (verb.words.empty() ? "" : " " + verb.words);
}

// Paragraphs broken at blanks to fit a terminal; lines that are short already stay as they are.
std::string wrapped(const std::string& text) {
  constexpr std::size_t kWidest = 96;
  std::string out;
  std::istringstream lines(text);
  for (std::string line; std::getline(lines, line);) {
    while (line.size() > kWidest) {
      std::size_t blank = line.rfind(' ', kWidest);
      if (blank == std::string::npos || blank == 0) blank = line.find(' ', kWidest);
      if (blank == std::string::npos) break;
      out += line.substr(0, blank) + "\n";
      line.erase(0, blank + 1);
    }
    out += line + "\n";
  }
  if (!out.empty()) out.pop_back();
  return out;
}

void print_program_help(const Program& program) {
  std::cout << program.name << ": " << program.summary << "\n\n"
            << wrapped(program.description) << "\n\n";
  if (program.verbs.size() == 1 && program.verbs[0].name.empty()) {
    const Verb& verb = program.verbs[0];
    std::cout << "Usage: " << program.name << " " << verb.words << "\n\n"
              << verb.options << "\nExample:\n  " << verb.example << "\n";
  } else {
    std::cout << "Verbs (" << program.name << " VERB --help tells more):\n";
    std::size_t widest = 0;
    for (const Verb& verb : program.verbs) widest = std::max(widest, verb.name.size());
    for (const Verb& verb : program.verbs)
      std::cout << fmt::format("  {:<{}}  {}\n", verb.name, widest, verb.summary);
    std::cout << "\nExit status: 0 done; 1 the answer is 'no'; 2 bad usage or input; 3 rig or line "
                 "fault; 4 book fault.\n";
  }
  if (!program.cautions.empty()) std::cout << "\n" << wrapped(program.cautions) << "\n";
}

void print_verb_help(const Program& program, const Verb& verb) {
  std::cout << program.name << " " << first_option_words(verb) << "\n\n" << verb.summary << ".\n";
  if (!verb.description.empty()) std::cout << "\n" << wrapped(verb.description) << "\n";
  std::cout << "\n" << verb.options << "\nExample:\n";
  std::istringstream lines(verb.example);
  for (std::string line; std::getline(lines, line);) std::cout << "  " << line << "\n";
}

std::string roff(const std::string& text) {
  std::string out;
  bool line_start = true;
  for (const char c : text) {
    if (line_start && (c == '.' || c == '\'')) out += "\\&";
    if (c == '\\')
      out += "\\e";
    else if (c == '-')
      out += "\\-";
    else
      out += c;
    line_start = c == '\n';
  }
  return out;
}

void print_man_options(const Verb& verb) {
  for (const auto& option : verb.options.options()) {
    std::string parameter = option->format_parameter();
    std::cout << ".TP\n\\fB" << roff("--" + option->long_name()) << "\\fR " << roff(parameter)
              << "\n"
              << roff(option->description()) << "\n";
  }
}

void print_man_page(const Program& program) {
  std::string title = program.name;
  std::transform(title.begin(), title.end(), title.begin(), ::toupper);
  std::cout << ".TH " << title << " 1 \"\" \"Loadline " LOADLINE_VERSION "\"\n.SH NAME\n"
            << program.name << " \\- " << roff(program.summary) << "\n.SH SYNOPSIS\n";
  for (const Verb& verb : program.verbs)
    std::cout << "\\fB" << roff(program.name + (verb.name.empty() ? "" : " " + verb.name))
              << "\\fR " << roff(verb.words) << "\n.br\n";
  std::cout << ".SH DESCRIPTION\n" << roff(program.description) << "\n";
  for (const Verb& verb : program.verbs) {
    std::cout << ".SH " << (verb.name.empty() ? "OPTIONS" : roff(verb.name)) << "\n\\fB"
              << roff(program.name + " " + first_option_words(verb)) << "\\fR\n.PP\n"
              << roff(verb.summary) << ".\n";
    if (!verb.description.empty()) std::cout << ".PP\n" << roff(verb.description) << "\n";
    print_man_options(verb);
    std::cout << ".PP\nExample:\n.PP\n.nf\n" << roff(verb.example) << "\n.fi\n";
  }
  std::cout << ".SH EXIT STATUS\n0 done; 1 the answer is 'no'; 2 bad usage or bad input; 3 rig or "
               "line fault; 4 book fault.\n.SH ENVIRONMENT\n.TP\n\\fBLOADLINE_BOOK\\fR\nthe book "
               "when \\-\\-book is not given (else bench.book)\n.TP\n\\fBNO_COLOR\\fR\nno colours "
               "when set\n";
  if (!program.cautions.empty()) std::cout << ".SH CAUTIONS\n" << roff(program.cautions) << "\n";
}

std::string option_words(const Verb& verb) {
  std::string words = "--help";
  for (const auto& option : verb.options.options()) words += " --" + option->long_name();
  return words;
}

/// The options that a value follows, as a pattern of bash's `case`.
std::string value_options(const Verb& verb) {
  std::string pattern;
  for (const auto& option : verb.options.options()) {
    if (option->semantic()->max_tokens() == 0) continue;
    pattern += (pattern.empty() ? "--" : "|--") + option->long_name();
    const std::string shown = option->format_name();  // "-o [ --output ]" or "--output"
    if (shown.size() > 1 && shown[1] != '-') pattern += "|" + shown.substr(0, 2);
  }
  return pattern;
}

// After an option that takes a value nothing is offered, so that bash completes a file's name.
void print_completion_of(const Verb& verb, int first_word) {
  std::cout << "    " << (verb.name.empty() ? "*" : verb.name) << ")\n";
  if (const std::string taking = value_options(verb); !taking.empty())
    std::cout << "      case $before in " << taking << ") COMPREPLY=(); return ;; esac\n";
  std::cout << "      words=\"" << option_words(verb) << "\"\n";
  if (!verb.first_words.empty())
    std::cout << "      [ \"$COMP_CWORD\" = " << first_word << " ] && words=\"" << verb.first_words
              << " $words\"\n";
  std::cout << "      ;;\n";
}

void print_completion(const Program& program) {
  std::string function = "_" + program.name;
  std::replace(function.begin(), function.end(), '-', '_');
  std::string verbs;
  for (const Verb& verb : program.verbs) verbs += verb.name + " ";
  std::cout << function << "() {\n  local word=${COMP_WORDS[COMP_CWORD]} words=\n"
            << "  local before=${COMP_WORDS[COMP_CWORD-1]}\n"
            << "  case ${COMP_WORDS[1]} in\n";
  for (const Verb& verb : program.verbs) print_completion_of(verb, verb.name.empty() ? 1 : 2);
  std::cout << "  esac\n  [ \"$COMP_CWORD\" = 1 ] && words=\"" << verbs
            << "--help --version${words:+ $words}\"\n"
            << "  COMPREPLY=($(compgen -W \"$words\" -- \"$word\"))\n}\n"
            << "complete -o default -F " << function << " " << program.name << "\n";
}

int run_verb(const Verb& verb, const std::vector<std::string>& words) {
  po::options_description options = verb.options;
  options.add_options()("loadline-names", po::value<std::vector<std::string>>());
  po::positional_options_description names;
  names.add("loadline-names", -1);
  po::variables_map values;
  using namespace po::command_line_style;
  po::store(
      po::command_line_parser(words)
          .options(options)
          .positional(names)
          .style(unix_style & ~allow_guessing)
          .extra_style_parser([](std::vector<std::string>& rest) {
            // A leading minus with a digit is a number, not an option.
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
          })
          .run(),
      values);
  po::notify(values);
  std::vector<std::string> given;
  if (values.count("loadline-names"))
    given = values["loadline-names"].as<std::vector<std::string>>();
  if (given.size() > verb.most_names)
    throw Error(Fault::kInput, fmt::format("'{}' is one word too many here; names with spaces need "
                                           "quotes. See {} {} --help.",
                                           given[verb.most_names], g_program_name, verb.name));
  return verb.run(Arguments(std::move(values), std::move(given)));
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
  if (first == "--help" || (!single && first == "help")) return print_program_help(program), 0;
  if (single) return run_verb(program.verbs[0], words);
  if (words.empty())
    throw Error(Fault::kInput,
                fmt::format("a verb is missing; '{} --help' lists them.", program.name));
  for (const Verb& verb : program.verbs) {
    if (verb.name != first) continue;
    if (std::find(words.begin(), words.end(), "--help") != words.end())
      return print_verb_help(program, verb), 0;
    return run_verb(verb, {words.begin() + 1, words.end()});
  }
  throw Error(Fault::kInput, fmt::format("'{}' is no verb of {}; '{} --help' lists them.", first,
                                         program.name, program.name));
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
                fmt::format("{} is missing; add --help to the verb to see its usage.", what));
  return names_[index];
}

std::string Arguments::book_path() const {
  if (const auto given = text("book")) return *given;
  const char* environment = std::getenv("LOADLINE_BOOK");
  return environment && *environment ? environment : "bench.book";
}

void add_common_options(po::options_description& options, bool without_book) {
  if (!without_book)
    options.add_options()("book", po::value<std::string>()->value_name("FILE"),
                          "the book (else $LOADLINE_BOOK, else bench.book)");
  options.add_options()("json", po::bool_switch(), "one JSON document on standard output");
}

namespace {

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

}  // namespace

int run_program(const Program& program, int argc, const char* const* argv) {
  g_program_name = program.name;
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
  } catch (po::error& error) {
    complain(fmt::format("{}; add --help to see the usage.", option_error_text(error)));
    return static_cast<int>(Fault::kInput);
  } catch (const std::bad_alloc&) {
    complain("out of memory; close other programs or work on a smaller run.");
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
  (arguments.json() ? std::cerr : std::cout) << without_controls(text) << "\n";
}

void warn(const std::string& sentence) {
  std::cout.flush();
  std::cerr << g_program_name << ": warning: " << without_controls(sentence) << "\n";
}

const std::string& program_name() { return g_program_name; }

}  // namespace loadline
