#include "db/exchange/number_marks.h"

#include <fmt/format.h>

#include <charconv>
#include <cmath>
#include <cstdlib>

#include "db/sql/text.h"

namespace loadline {
namespace {

constexpr char kGroup = '_';  // stands for every mark that can only part thousands

struct Glyph {
  const char* bytes;
  char stands_for;
};
// No-break, thin and narrow no-break space, the two apostrophes, the minus sign of typesetters.
constexpr Glyph kGlyphs[] = {{"\xC2\xA0", kGroup},     {"\xE2\x80\x89", kGroup},
                             {"\xE2\x80\xAF", kGroup}, {"'", kGroup},
                             {"\xE2\x80\x99", kGroup}, {" ", kGroup},
                             {"\xA0", kGroup},         {"\xE2\x88\x92", '-'}};

// Sign, digits and marks, exponent.
struct Pieces {
  bool negative = false;
  std::string body, exponent;
};

std::string plain(std::string_view cell) {
  std::string out;
  while (!cell.empty()) {
    bool taken = false;
    for (const Glyph& glyph : kGlyphs)
      if (cell.starts_with(glyph.bytes)) {
        out += glyph.stands_for;
        cell.remove_prefix(std::string_view(glyph.bytes).size());
        taken = true;
        break;
      }
    if (taken) continue;
    out += cell.front();
    cell.remove_prefix(1);
  }
  while (!out.empty() && out.back() == kGroup) out.pop_back();
  out.erase(0, out.find_first_not_of(kGroup));
  return out;
}

bool only(const std::string& text, const char* allowed) {
  return text.find_first_not_of(allowed) == std::string::npos;
}

std::optional<Pieces> pieces_of(std::string_view cell) {
  Pieces pieces;
  std::string text = plain(cell);
  if (!text.empty() && (text[0] == '+' || text[0] == '-')) {
    pieces.negative = text[0] == '-';
    text.erase(0, 1);
  }
  const std::size_t e = text.find_first_of("eE");
  if (e != std::string::npos) {
    pieces.exponent = text.substr(e + 1);
    text.resize(e);
    std::string digits = pieces.exponent;
    if (!digits.empty() && (digits[0] == '+' || digits[0] == '-')) digits.erase(0, 1);
    if (digits.empty() || !only(digits, "0123456789")) return std::nullopt;
  }
  if (text.find_first_of("0123456789") == std::string::npos) return std::nullopt;
  if (!only(text, "0123456789.,_")) return std::nullopt;
  pieces.body = text;
  return pieces;
}

// Takes marks that part thousands out of the digits before the decimal mark; false where groups are
// not of three digits or the marks are of two kinds.
bool take_groups(std::string& whole, char decimal) {
  const std::size_t first = whole.find_first_of(".,_");
  if (first == std::string::npos) return true;
  const char mark = whole[first];
  if (mark == decimal || first == 0 || first > 3) return false;
  std::string digits = whole.substr(0, first);
  for (std::size_t at = first; at < whole.size(); at += 4) {
    const std::string group = whole.substr(at + 1, 3);
    if (whole[at] != mark || group.size() != 3 || !only(group, "0123456789")) return false;
    digits += group;
  }
  whole = digits;
  return true;
}

}  // namespace

std::optional<double> NumberMarks::number(std::string_view cell) const {
  const auto pieces = pieces_of(cell);
  if (!pieces) return std::nullopt;
  const std::size_t at = pieces->body.rfind(decimal_);
  std::string whole = pieces->body.substr(0, at);
  const std::string part = at == std::string::npos ? "" : pieces->body.substr(at + 1);
  if (!take_groups(whole, decimal_) || !only(part, "0123456789")) return std::nullopt;
  std::string text = (pieces->negative ? "-" : "") + whole + "." + part;
  if (!pieces->exponent.empty()) text += "e" + pieces->exponent;
  if (text == "." || text == "-.") return std::nullopt;
  return std::strtod(text.c_str(), nullptr) + 0.0;  // a negative zero becomes zero
}

void MarkEvidence::Seen::note(std::string_view text, long at) {
  if (line > 0) return;
  line = at;
  cell = on_one_line(text.substr(0, 40));
}

void MarkEvidence::look_at(std::string_view cell, long line) {
  const auto pieces = pieces_of(cell);
  if (!pieces) return;
  const std::string& body = pieces->body;
  const std::size_t last = body.find_last_of(".,");
  if (last == std::string::npos) return;
  const char mark = body[last], other = mark == '.' ? ',' : '.';
  Seen& this_one = mark == '.' ? point_ : comma_;
  Seen& other_one = mark == '.' ? comma_ : point_;
  if (body.find(mark) != last) {  // twice: parts thousands, unless the other mark came before
    other_one.note(cell, line);
    return;
  }
  const std::size_t digits_after = body.size() - last - 1;
  const bool certain = body.find(other) != std::string::npos || digits_after != 3 || last == 0 ||
                       last > 3 || body[0] == '0' || body.find(kGroup) != std::string::npos ||
                       !pieces->exponent.empty();
  if (certain) {
    this_one.note(cell, line);
    return;
  }
  either_.note(cell, line);
  either_mark_ = either_mark_ == 0 || either_mark_ == mark ? mark : 'x';
}

char MarkEvidence::decimal() const {
  if (point_.line > 0 && comma_.line > 0) return 0;
  if (point_.line > 0) return '.';
  if (comma_.line > 0) return ',';
  return either_.line > 0 ? 0 : '.';
}

std::string MarkEvidence::doubt() const {
  if (point_.line > 0 && comma_.line > 0)
    return fmt::format("'{}' (line {}) has a decimal point and '{}' (line {}) a decimal comma",
                       point_.cell, point_.line, comma_.cell, comma_.line);
  return fmt::format(
      "whether '{}' (line {}) has a decimal mark or one of thousands cannot be told "
      "from any number in the file",
      either_.cell, either_.line);
}

}  // namespace loadline
