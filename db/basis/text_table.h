// Rows of text as columns that line up, and sentences as lines of a page.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

namespace loadline {

/// Rows as lines (no final line feed), each column as wide as its widest cell and two blanks apart;
/// widths count code points. Rows may be of different lengths.
std::string text_table(const std::vector<std::vector<std::string>>& rows);

/// What every answer for people keeps to, so that no terminal breaks its lines.
inline constexpr std::size_t kPageWidth = 80;

/// How many places a line of text takes, in code points.
std::size_t width_of(const std::string& text);

/// A sentence broken between words (at single blanks, but not before a per cent sign) into lines of
/// at most `width`, all but the first with `indent` before them; no final line feed. A longer word
/// stays whole.
std::string wrapped(const std::string& text, const std::string& indent = "",
                    std::size_t width = kPageWidth);

}  // namespace loadline
