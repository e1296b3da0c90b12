#include "logger/live/plain_words.h"

#include <algorithm>
#include <vector>

#include "db/basis/language.h"

namespace loadline {
namespace {

bool names_command(const std::string& clause) {
  if (clause.find("loadline-") != std::string::npos) return true;
  for (auto at = clause.find("--"); at != std::string::npos; at = clause.find("--", at + 1))
    if (at + 2 < clause.size() && std::isalpha(static_cast<unsigned char>(clause[at + 2])))
      return true;
  return false;
}

/// Cut behind each ". ", "; " and ": ", and at line ends.
std::vector<std::string> clauses_of(const std::string& text) {
  std::vector<std::string> clauses(1);
  for (std::size_t i = 0; i < text.size(); ++i) {
    if (text[i] == '\n') {
      clauses.emplace_back();
      continue;
    }
    clauses.back() += text[i];
    const bool ends = text[i] == '.' || text[i] == ';' || text[i] == ':';
    if (ends && i + 1 < text.size() && text[i + 1] == ' ') {
      clauses.emplace_back();
      ++i;
    }
  }
  return clauses;
}

}  // namespace

std::string without_commands(const std::string& text, const std::string& instead) {
  if (!names_command(text)) return text;
  std::string kept;
  for (const std::string& clause : clauses_of(text)) {
    if (clause.empty() || names_command(clause)) continue;
    kept += (kept.empty() ? "" : " ") + clause;
  }
  if (kept.empty()) return instead;
  if (kept.back() == ';' || kept.back() == ':') kept.back() = '.';
  return kept;
}

std::string on_page(const std::string& text) {
  if (text.empty()) return text;
  // What a language could not say is kept in it: one for each thread.
  thread_local const Language language = Language::of_locale();
  return language.words(without_commands(text, "The terminal at the bench says more."));
}

}  // namespace loadline
