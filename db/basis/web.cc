#include "db/basis/web.h"

#include <nlohmann/json.hpp>

#include "db/basis/utf8.h"

namespace loadline {

namespace {

/// What is no text at all in an altered book (bytes that are no UTF-8, control characters) becomes
/// the sign for that, U+FFFD.
std::string as_text(std::string_view bytes) {
  std::string out;
  out.reserve(bytes.size());
  while (!bytes.empty()) {
    const Utf8Character next = first_character(bytes);
    const bool blank = next.code == '\n' || next.code == '\t';
    if (next.length > 0 && (blank || !is_control(next.code)))
      out += bytes.substr(0, next.length);
    else
      out += "\xEF\xBF\xBD";
    bytes.remove_prefix(next.length > 0 ? next.length : 1);
  }
  return out;
}

}  // namespace

std::string html_escape(std::string_view text) {
  std::string out;
  out.reserve(text.size());
  for (const char c : as_text(text)) {
    switch (c) {
      case '&':
        out += "&amp;";
        break;
      case '<':
        out += "&lt;";
        break;
      case '>':
        out += "&gt;";
        break;
      case '"':
        out += "&quot;";
        break;
      case '\'':
        out += "&#39;";
        break;
      default:
        out += c;
    }
  }
  return out;
}

std::string script_json(std::string_view json) {
  std::string out;
  out.reserve(json.size());
  for (std::size_t i = 0; i < json.size(); ++i) {
    const std::string_view separator = json.substr(i, 3);
    if (json[i] == '<') {
      out += "\\u003c";
    } else if (separator == "\xE2\x80\xA8" || separator == "\xE2\x80\xA9") {
      out += separator == "\xE2\x80\xA8" ? "\\u2028" : "\\u2029";
      i += 2;
    } else {
      out += json[i];
    }
  }
  return out;
}

}  // namespace loadline
