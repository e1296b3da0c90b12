// Help with a word that is not among those that could be meant.
#pragma once

#include <span>
#include <string>

namespace loadline {

/// "; did you mean 'a' or 'b'?" for the closest of `known` (by edits, capitals aside), else
/// "; known: 'a' or 'b'." when there are six or fewer of them, else "".
std::string closest_words(const std::string& wanted, std::span<const std::string> known);

/// The one of `known` that is closest, "" when none is close.
std::string closest_word(const std::string& wanted, std::span<const std::string> known);

}  // namespace loadline
