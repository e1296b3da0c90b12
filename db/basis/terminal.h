// What the terminal at the other end of a stream can show, if there is one.
#pragma once

#include <cstddef>
#include <string>

namespace loadline {

/// Columns of the terminal behind a file descriptor (1 standard output, 2 standard error); 0 when
/// there is none, as in a pipe or a file, or when it does not tell.
std::size_t terminal_width(int descriptor);

/// Standard output is a terminal that moves and shows block characters: the locale of LC_ALL,
/// LC_CTYPE or LANG (the first that is set) is one of UTF-8, and TERM is not "dumb".
bool shows_blocks();

/// Lines that are wider than `width` broken between words, what follows indented as they are; the
/// same when `width` is 0 or hardly any.
std::string folded(const std::string& text, std::size_t width);

}  // namespace loadline
