#include "db/basis/text_table.h"

#include <algorithm>
#include <cstddef>

namespace loadline {

std::size_t width_of(const std::string& text) {
  return static_cast<std::size_t>(std::count_if(text.begin(), text.end(), [](char c) {
    return (static_cast<unsigned char>(c) & 0xC0U) != 0x80U;
  }));
}

std::string text_table(const std::vector<std::vector<std::string>>& rows) {
  std::vector<std::size_t> widths;
  for (const auto& row : rows) {
    widths.resize(std::max(widths.size(), row.size()));
    for (std::size_t i = 0; i < row.size(); ++i) widths[i] = std::max(widths[i], width_of(row[i]));
  }
  std::string out;
  for (const auto& row : rows) {
    std::string line;
    for (std::size_t i = 0; i < row.size(); ++i)
      line += row[i] + std::string(widths[i] - width_of(row[i]) + 2, ' ');
    line.erase(line.find_last_not_of(' ') + 1);
    out += (out.empty() ? "" : "\n") + line;
  }
  return out;
}

std::string wrapped(const std::string& text, const std::string& indent, std::size_t width) {
  std::string out, line;
  std::size_t at = 0;
  while (at <= text.size()) {
    const std::size_t end = std::min(text.find(' ', at), text.size());
    const std::string word = text.substr(at, end - at);
    at = end + 1;
    const std::size_t next = std::min(text.find(' ', std::min(at, text.size())), text.size());
    const bool percent = at < text.size() && text[at] == '%';  // stays with its number
    const std::size_t needed = width_of(word) + (percent ? 1 + next - at : 0);
    if (!line.empty() && line != indent && width_of(line) + 1 + needed > width) {
      out += line + "\n";
      line = indent + word;
    } else {
      line += (line.empty() || line == indent ? "" : " ") + word;
    }
  }
  return out + line;
}

}  // namespace loadline
