#include "db/basis/near_words.h"

#include <fmt/format.h>

#include <algorithm>
#include <string_view>
#include <utility>
#include <vector>

namespace loadline {
namespace {

std::size_t edit_distance(std::string_view a, std::string_view b) {
  std::vector<std::size_t> row(b.size() + 1);
  for (std::size_t j = 0; j <= b.size(); ++j) row[j] = j;
  for (std::size_t i = 1; i <= a.size(); ++i) {
    std::size_t diagonal = row[0];
    row[0] = i;
    for (std::size_t j = 1; j <= b.size(); ++j) {
      const std::size_t replaced = diagonal + (a[i - 1] != b[j - 1]);
      diagonal = row[j];
      row[j] = std::min({replaced, row[j] + 1, row[j - 1] + 1});
    }
  }
  return row[b.size()];
}

std::string lower(std::string text) {
  std::transform(text.begin(), text.end(), text.begin(), [](char c) {
    return c >= 'A' && c <= 'Z' ? static_cast<char>(c - 'A' + 'a') : c;
  });
  return text;
}

std::vector<std::string> near_words(const std::string& wanted, std::span<const std::string> known) {
  std::vector<std::pair<std::size_t, std::string>> ranked;
  for (const std::string& word : known) {
    const std::size_t distance = edit_distance(lower(wanted), lower(word));
    if (distance <= std::max<std::size_t>(2, wanted.size() / 3))
      ranked.emplace_back(distance, word);
  }
  std::sort(ranked.begin(), ranked.end());
  std::vector<std::string> words;
  for (std::size_t i = 0; i < ranked.size() && i < 3; ++i) words.push_back(ranked[i].second);
  return words;
}

std::string quoted(std::span<const std::string> words) {
  std::string out;
  for (std::size_t i = 0; i < words.size(); ++i)
    out += (i == 0 ? "'" : i + 1 == words.size() ? " or '" : ", '") + words[i] + "'";
  return out;
}

}  // namespace

std::string closest_words(const std::string& wanted, std::span<const std::string> known) {
  const std::vector<std::string> near = near_words(wanted, known);
  if (!near.empty()) return fmt::format("; did you mean {}?", quoted(near));
  constexpr std::size_t kFew = 6;
  if (known.empty() || known.size() > kFew) return "";
  return fmt::format("; known: {}.", quoted(known));
}

std::string closest_word(const std::string& wanted, std::span<const std::string> known) {
  const std::vector<std::string> near = near_words(wanted, known);
  return near.empty() ? "" : near.front();
}

}  // namespace loadline
