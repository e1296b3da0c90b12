#include "db/sql/text.h"

#include <fmt/chrono.h>
#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <clocale>
#include <cstdio>
#include <ctime>
#include <cwctype>
#include <random>

#include "db/basis/error.h"
#include "db/basis/utf8.h"

namespace loadline {
namespace {

constexpr std::size_t kLongestName = 200;
constexpr std::size_t kLongestNote = 100000;

void require_text(const std::string& text, const std::string& what, bool may_break_lines) {
  for (std::string_view rest = text; !rest.empty();) {
    const Utf8Character next = first_character(rest);
    if (next.length == 0)
      throw Error(Fault::kInput, fmt::format("{} is not valid UTF-8; type it again.", what));
    const bool break_or_tab = next.code == '\n' || next.code == '\t';
    if (is_control(next.code) && !(may_break_lines && break_or_tab))
      throw Error(Fault::kInput, fmt::format("{} has a control character (code {}) in it; type it "
                                             "without.",
                                             what, static_cast<unsigned>(next.code)));
    rest.remove_prefix(next.length);
  }
}

}  // namespace

void require_name(const std::string& name, const std::string& what) {
  if (name.find_first_not_of(' ') == std::string::npos)
    throw Error(Fault::kInput, fmt::format("{} is empty; give it one.", what));
  if (name.size() > kLongestName)
    throw Error(Fault::kInput,
                fmt::format("{} is longer than {} bytes; shorten it and put the rest "
                            "into --note.",
                            what, kLongestName));
  require_text(name, what, false);
}

void require_note(const std::string& text, const std::string& what) {
  if (text.size() > kLongestNote)
    throw Error(Fault::kInput,
                fmt::format("{} is longer than {} bytes; keep it shorter.", what, kLongestNote));
  require_text(text, what, true);
}

void require_date(const std::string& date) {
  int year = 0, month = 0, day = 0, read = 0;
  const bool shaped = date.size() == 10 &&
                      std::sscanf(date.c_str(), "%4d-%2d-%2d%n", &year, &month, &day, &read) == 3;
  const std::chrono::year_month_day when{std::chrono::year(year),
                                         std::chrono::month(static_cast<unsigned>(month)),
                                         std::chrono::day(static_cast<unsigned>(day))};
  if (shaped && read == 10 && year >= 1800 && when.ok()) return;
  throw Error(Fault::kInput, fmt::format("'{}' is no date; write it as 2026-03-01.", date));
}

void require_uuid(const std::string& uuid, const std::string& what) {
  constexpr std::size_t kLength = 36;
  const bool sound = uuid.size() == kLength &&
                     uuid.find_first_not_of("0123456789abcdefABCDEF-") == std::string::npos;
  if (!sound)
    throw Error(
        Fault::kInput,
        fmt::format("the UUID of {} is none; 'loadline-db check' on its book says more.", what));
}

std::string made_printable(std::string_view text) {
  std::string out;
  for (std::string_view rest = text.substr(0, kLongestNote); !rest.empty();) {
    const Utf8Character next = first_character(rest);
    const bool keep =
        next.length > 0 && (!is_control(next.code) || next.code == '\n' || next.code == '\t');
    if (keep)
      out += rest.substr(0, next.length);
    else
      out += '?';
    rest.remove_prefix(std::max<std::size_t>(1, next.length));
  }
  return out;
}

std::string on_one_line(std::string_view text) {
  std::string line = made_printable(text);
  std::replace_if(
      line.begin(), line.end(), [](char c) { return c == '\n' || c == '\t'; }, ' ');
  return line;
}

std::string as_utf8(std::string_view text) {
  bool valid = true;
  for (std::string_view rest = text; valid && !rest.empty();) {
    const std::size_t length = first_character(rest).length;
    valid = length > 0;
    rest.remove_prefix(length);
  }
  if (valid) return std::string(text);
  std::string out;
  for (const char c : text) {
    const auto byte = static_cast<unsigned char>(c);
    if (byte < 0x80)
      out += c;
    else if (byte < 0xA0)
      out += '?';
    else
      out += {static_cast<char>(0xC0 | byte >> 6), static_cast<char>(0x80 | (byte & 0x3F))};
  }
  return out;
}

std::string folded(const std::string& name) {
  static const locale_t unicode = newlocale(LC_CTYPE_MASK, "C.UTF-8", nullptr);
  std::string out;
  bool blank_before = true;  // so that blanks at the start go too
  for (std::string_view rest = name; !rest.empty();) {
    const Utf8Character next = first_character(rest);
    const std::size_t length = std::max<std::size_t>(1, next.length);
    const bool blank = rest.front() == ' ';
    if (!blank && blank_before && !out.empty()) out += "32,";
    if (!blank)
      out += next.length == 0 || !unicode
                 ? std::string(rest.substr(0, length))
                 : std::to_string(towlower_l(static_cast<wint_t>(next.code), unicode)) + ",";
    blank_before = blank;
    rest.remove_prefix(length);
  }
  return out;
}

std::string new_uuid() {
  static thread_local std::random_device source;
  std::uniform_int_distribution<std::uint32_t> word;
  const std::uint32_t a = word(source), b = word(source), c = word(source), d = word(source);
  return fmt::format("{:08x}-{:04x}-4{:03x}-{:04x}-{:04x}{:08x}", a, b >> 16, b & 0xfff,
                     0x8000 | (c >> 16 & 0x3fff), c & 0xffff, d);
}

std::string utc_now() {
  return fmt::format("{:%Y-%m-%dT%H:%M:%SZ}", fmt::gmtime(std::time(nullptr)));
}

}  // namespace loadline
