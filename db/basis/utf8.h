// UTF-8, one character at a time.
#pragma once

#include <cstddef>
#include <string_view>

namespace loadline {

struct Utf8Character {
  char32_t code = 0;
  std::size_t length = 0;  ///< bytes; 0 when they are no UTF-8
};

/// The first character of `text`, which must not be empty (table 3-7 of the Unicode Standard: no
/// overlong forms, no surrogates, nothing above U+10FFFF).
Utf8Character first_character(std::string_view text);

/// U+0000 to U+001F, U+007F to U+009F: what a terminal may take for an order.
inline bool is_control(char32_t code) { return code < 0x20 || (code >= 0x7F && code <= 0x9F); }

}  // namespace loadline
