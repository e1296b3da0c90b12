#include "db/basis/web.h"

#include <nlohmann/json.hpp>

namespace loadline {

std::string html_escape(std::string_view text) {
  std::string out;
  out.reserve(text.size());
  for (const char c : text) {
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
