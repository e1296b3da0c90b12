#include "db/basis/command_help.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <iostream>
#include <sstream>

namespace loadline {
namespace {

constexpr std::size_t kWidest = 79;
constexpr const char* kExitStatus =
    "Exit status: 0 done; 1 the answer is 'no'; 2 bad usage or input; 3 rig or line fault; 4 book "
    "fault.";

std::string words_after(const Verb& verb) {
  return verb.name.empty() ? verb.words : verb.name + (verb.words.empty() ? "" : " " + verb.words);
}

std::string capitalised(std::string sentence) {
  if (!sentence.empty())
    sentence[0] = static_cast<char>(std::toupper(static_cast<unsigned char>(sentence[0])));
  return sentence;
}

std::size_t columns_of(const std::string& text) {
  return static_cast<std::size_t>(std::count_if(text.begin(), text.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U;
  }));
}

// Words put into lines that end before column kWidest, each line after the first behind `indent`
// blanks; `column` is where the first one starts.
std::string filled(const std::string& text, std::size_t column, std::size_t indent) {
  std::string out;
  std::istringstream words(text);
  bool line_start = true;
  for (std::string word; words >> word; line_start = false) {
    const std::size_t width = columns_of(word);
    if (!line_start && column + 1 + width > kWidest) {
      out += "\n" + std::string(indent, ' ');
      column = indent;
    } else if (!line_start) {
      out += ' ';
      ++column;
    }
    out += word;
    column += width;
  }
  return out;
}

// Paragraphs stand between empty lines; a line that starts with a blank or a dash starts anew.
std::string paragraphs(const std::string& text) {
  std::string out, paragraph;
  const auto close = [&] {
    if (!paragraph.empty()) out += filled(paragraph, 0, 0) + "\n";
    paragraph.clear();
  };
  std::istringstream lines(text);
  for (std::string line; std::getline(lines, line);) {
    if (line.empty() || line[0] == ' ' || line[0] == '-') close();
    if (line.empty())
      out += "\n";
    else
      paragraph += line + " ";
  }
  close();
  if (!out.empty()) out.pop_back();
  return out;
}

std::string parameter_of(const boost::program_options::option_description& option) {
  return option.semantic()->max_tokens() == 0 ? "" : option.semantic()->name();
}

// "-o, --output FILE.csv"
std::string option_heading(const boost::program_options::option_description& option) {
  const std::string shown = option.format_name();  // "-o [ --output ]" or "--output"
  std::string heading;
  if (shown.size() > 1 && shown[1] != '-') heading = shown.substr(0, 2) + ", ";
  heading += "--" + option.long_name();
  const std::string parameter = parameter_of(option);
  return parameter.empty() ? heading : heading + " " + parameter;
}

std::string option_list(const Verb& verb, const std::string& first_word) {
  constexpr std::size_t kHelpColumn = 28;
  std::string out;
  for (const auto& option : verb.options.options()) {
    if (!first_word.empty() && !verb.option_fits(first_word, option->long_name())) continue;
    std::string line = "  " + option_heading(*option);
    if (columns_of(line) + 2 > kHelpColumn)
      line += "\n" + std::string(kHelpColumn, ' ');
    else
      line.append(kHelpColumn - columns_of(line), ' ');
    out += line + filled(option->description(), kHelpColumn, kHelpColumn) + "\n";
  }
  return out;
}

void print_verb_list(const Program& program) {
  std::cout << "Verbs (" << program.name << " VERB --help tells more):\n";
  std::size_t widest = 0;
  for (const Verb& verb : program.verbs) widest = std::max(widest, verb.name.size());
  for (const Verb& verb : program.verbs)
    std::cout << fmt::format("  {:<{}}  {}\n", verb.name, widest,
                             filled(verb.summary, widest + 4, widest + 4));
  std::cout << "\n" << paragraphs(kExitStatus) << "\n";
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

// ", -o" behind an option that has a short form.
std::string short_form(const boost::program_options::option_description& option) {
  using boost::program_options::command_line_style::allow_dash_for_short;
  const std::string name = option.canonical_display_name(allow_dash_for_short);
  return name.size() == 2 && name[0] == '-' ? ", \\fB" + roff(name) + "\\fR" : "";
}

void print_man_options(const Verb& verb) {
  for (const auto& option : verb.options.options())
    std::cout << ".TP\n\\fB" << roff("--" + option->long_name()) << "\\fR" << short_form(*option)
              << " " << roff(parameter_of(*option)) << "\n"
              << roff(option->description()) << "\n";
}

}  // namespace

void print_program_help(const Program& program) {
  std::cout << program.name << ": " << program.summary << "\n\n"
            << paragraphs(program.description) << "\n\n";
  if (program.verbs.size() == 1 && program.verbs[0].name.empty()) {
    const Verb& verb = program.verbs[0];
    std::cout << "Usage: " << program.name << " " << verb.words << "\n\n"
              << option_list(verb, "") << "\nExample:\n  " << verb.example << "\n";
  } else {
    print_verb_list(program);
  }
  if (!program.cautions.empty()) std::cout << "\n" << paragraphs(program.cautions) << "\n";
}

void print_verb_help(const Program& program, const Verb& verb, const std::string& first_word) {
  std::cout << filled(program.name + " " + words_after(verb), 0, 4) << "\n\n"
            << filled(capitalised(verb.summary) + ".", 0, 0) << "\n";
  if (!verb.description.empty()) std::cout << "\n" << paragraphs(verb.description) << "\n";
  std::cout << "\nOptions" << (first_word.empty() ? "" : " for a " + first_word) << ":\n"
            << option_list(verb, first_word) << "\nExample:\n";
  std::istringstream lines(verb.example);
  for (std::string line; std::getline(lines, line);) std::cout << "  " << line << "\n";
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
              << roff(program.name + " " + words_after(verb)) << "\\fR\n.PP\n"
              << roff(capitalised(verb.summary)) << ".\n";
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

}  // namespace loadline
