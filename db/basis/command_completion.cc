#include "db/basis/command_completion.h"

#include <fmt/format.h>

#include <algorithm>
#include <iostream>
#include <sstream>
#include <string_view>

namespace loadline {
namespace {

using Option = boost::program_options::option_description;

// Names are compared and quoted one by one: bash's `compgen -W` would run what is in them.
constexpr const char* kNamesFunction =
    R"(# The names of one kind in the book, quoted as the shell wants them: _loadline_names KIND WORD
_loadline_names() {
  local book=() name typed=$2 at
  for ((at = 1; at + 1 < ${#COMP_WORDS[@]}; ++at)); do
    [ "${COMP_WORDS[at]}" = --book ] && book=(--book "${COMP_WORDS[at + 1]/#\~/$HOME}")
  done
  typed=${typed#[\'\"]} typed=${typed//\\/}
  COMPREPLY=()
  while IFS= read -r name; do
    [[ $name == "$typed"* ]] || continue
    case $2 in [\'\"]*) ;; *) printf -v name %q "$name" ;; esac
    COMPREPLY+=("$name")
  done < <(loadline-db list "$1" --names "${book[@]}" 2> /dev/null)
}
)";

std::vector<std::string> split(const std::string& text, char at) {
  std::vector<std::string> words;
  std::istringstream in(text);
  for (std::string word; std::getline(in, word, at);)
    if (!word.empty()) words.push_back(word);
  return words;
}

std::string option_words(const Verb& verb, const std::string& first_word) {
  std::string words = "--help";
  for (const auto& option : verb.options.options())
    if (first_word.empty() || verb.option_fits(first_word, option->long_name()))
      words += " --" + option->long_name();
  return words;
}

// Which list of the book an option's value comes from, "" for none.
std::string list_of(const Option& option) {
  const std::string& name = option.long_name();
  const std::string parameter = option.semantic()->name();
  for (const char* kind : {"rig", "motor", "machine", "belt"})
    if (name == kind) return name + "s";
  if (name.ends_with("pulley") || parameter == "PULLEY") return "pulleys";
  if (name == "runs" || name == "slip-check") return "runs";
  return "";
}

// "--output|-o", as a pattern of bash's `case`.
std::string pattern_of(const Option& option) {
  std::string pattern = "--" + option.long_name();
  const std::string shown = option.format_name();  // "-o [ --output ]" or "--output"
  if (shown.size() > 1 && shown[1] != '-') pattern += "|" + shown.substr(0, 2);
  return pattern;
}

// What follows an option that takes a value: names of the book, its choices, else nothing, so that
// bash completes a file's name.
std::string value_case(const Option& option) {
  const std::string parameter = option.semantic()->name();
  std::string does = "COMPREPLY=()";
  if (const std::string list = list_of(option); !list.empty())
    does = "_loadline_names " + list + " \"$word\"";
  else if (parameter.find('|') != std::string::npos)
    does = fmt::format("COMPREPLY=($(compgen -W \"{}\" -- \"$word\"))",
                       fmt::join(split(parameter, '|'), " "));
  return fmt::format("        {}) {}; return ;;\n", pattern_of(option), does);
}

void print_value_cases(const Verb& verb) {
  std::string cases;
  for (const auto& option : verb.options.options())
    if (option->semantic()->max_tokens() > 0) cases += value_case(*option);
  if (!cases.empty()) std::cout << "      case $before in\n" << cases << "      esac\n";
}

// The word that names something: `first` is where the first word after the verb stands.
void print_name_case(const Verb& verb, int first) {
  if (verb.names_from.empty()) return;
  const bool by_first_word = verb.names_from == "first word";
  std::cout << fmt::format(
      "      [ \"$COMP_CWORD\" = {} ] && [ \"${{word#-}}\" = \"$word\" ] && {{ _loadline_names "
      "\"{}\" \"$word\"; return; }}\n",
      by_first_word ? first + 1 : first,
      by_first_word ? fmt::format("${{COMP_WORDS[{}]}}", first) : verb.names_from);
}

void print_option_words(const Verb& verb, int first) {
  std::cout << "      words=\"" << option_words(verb, "") << "\"\n";
  if (!verb.option_fits) return;
  std::cout << fmt::format("      case ${{COMP_WORDS[{}]}} in\n", first);
  for (const std::string& word : split(verb.first_words, ' '))
    std::cout << fmt::format("        {}) words=\"{}\" ;;\n", word, option_words(verb, word));
  std::cout << "      esac\n";
}

void print_completion_of(const Verb& verb, int first) {
  std::cout << "    " << (verb.name.empty() ? "*" : verb.name) << ")\n";
  print_value_cases(verb);
  print_name_case(verb, first);
  print_option_words(verb, first);
  if (!verb.first_words.empty())
    std::cout << "      [ \"$COMP_CWORD\" = " << first << " ] && words=\"" << verb.first_words
              << " $words\"\n";
  std::cout << "      ;;\n";
}

}  // namespace

void print_completion(const Program& program) {
  std::string function = "_" + program.name;
  std::replace(function.begin(), function.end(), '-', '_');
  std::string verbs;
  for (const Verb& verb : program.verbs)
    if (!verb.name.empty()) verbs += verb.name + " ";
  std::cout << kNamesFunction << function << "() {\n  local word=${COMP_WORDS[COMP_CWORD]} words=\n"
            << "  local before=${COMP_WORDS[COMP_CWORD-1]}\n"
            << "  case ${COMP_WORDS[1]} in\n";
  for (const Verb& verb : program.verbs) print_completion_of(verb, verb.name.empty() ? 1 : 2);
  std::cout << "  esac\n  [ \"$COMP_CWORD\" = 1 ] && words=\"" << verbs
            << "--help --version${words:+ $words}\"\n"
            << "  COMPREPLY=($(compgen -W \"$words\" -- \"$word\"))\n}\n"
            << "complete -o default -F " << function << " " << program.name << "\n";
}

}  // namespace loadline
