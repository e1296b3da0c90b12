#include "db/basis/terminal.h"

#include <sys/ioctl.h>
#include <unistd.h>

#include <algorithm>
#include <cctype>
#include <cstdlib>

#include "db/basis/text_table.h"

namespace loadline {
namespace {

constexpr std::size_t kNarrowest = 20;  // below it breaking lines helps nobody

std::string environment(const char* name) {
  const char* value = std::getenv(name);
  return value ? value : "";
}

// One line in as many as it takes, each with the blanks that it begins with.
std::string folded_line(const std::string& text, std::size_t width) {
  if (width_of(text) <= width) return text;
  const std::size_t first = std::min(text.find_first_not_of(' '), text.size());
  const std::string indent = first < width / 2 ? text.substr(0, first) : "";
  std::string out, line = indent;
  for (std::size_t at = first; at < text.size();) {
    const std::size_t word = std::min(text.find_first_not_of(' ', at), text.size());
    const std::size_t end = std::min(text.find(' ', word), text.size());
    const std::string gap = text.substr(at, word - at), next = text.substr(word, end - word);
    if (line.size() > indent.size() && width_of(line + gap + next) > width) {
      out += line + "\n";
      line = indent + next;
    } else {
      line += gap + next;
    }
    at = end;
  }
  return out + line;
}

}  // namespace

std::size_t terminal_width(int descriptor) {
  winsize size{};
  if (!isatty(descriptor) || ioctl(descriptor, TIOCGWINSZ, &size) != 0) return 0;
  return size.ws_col;
}

bool shows_blocks() {
  if (terminal_width(STDOUT_FILENO) == 0) return false;
  const std::string term = environment("TERM");
  if (term.empty() || term == "dumb") return false;
  std::string locale;
  for (const char* name : {"LC_ALL", "LC_CTYPE", "LANG"})
    if (locale.empty()) locale = environment(name);
  std::transform(locale.begin(), locale.end(), locale.begin(),
                 [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
  return locale.find("utf-8") != std::string::npos || locale.find("utf8") != std::string::npos;
}

std::string folded(const std::string& text, std::size_t width) {
  if (width < kNarrowest) return text;
  std::string out;
  for (std::size_t at = 0; at <= text.size();) {
    const std::size_t end = std::min(text.find('\n', at), text.size());
    out += folded_line(text.substr(at, end - at), width);
    if (end < text.size()) out += '\n';
    at = end + 1;
  }
  return out;
}

}  // namespace loadline
