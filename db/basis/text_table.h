// Rows of text as columns that line up.
#pragma once

#include <string>
#include <vector>

namespace loadline {

/// Rows as lines (no final line feed), each column as wide as its widest cell and two blanks apart;
/// widths count code points. Rows may be of different lengths.
std::string text_table(const std::vector<std::vector<std::string>>& rows);

}  // namespace loadline
