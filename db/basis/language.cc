#include "db/basis/language.h"

#include <algorithm>
#include <array>
#include <cctype>
#include <cstdlib>
#include <map>

#include "db/basis/error.h"

namespace loadline {

// Written by the build from db/basis/languages: code and text of each file.
struct LanguageFile {
  std::string_view code, text;
};
std::vector<LanguageFile> language_files();

namespace {

// No text takes forever: what one may cost, a step being a place tried for a placeholder.
constexpr std::size_t kLongest = 4000;
constexpr int kMostSteps = 100000, kStepsOfLook = 100;
constexpr int kDeepest = 4;  // words within words

bool is_digit(char c) { return c >= '0' && c <= '9'; }
bool is_letter(char c) {
  return (c >= 'a' && c <= 'z') || (c >= 'A' && c <= 'Z') ||
         (static_cast<unsigned char>(c) & 0x80U);
}

// Units that every language writes alike.
bool is_unit(std::string_view text) {
  static constexpr std::array<std::string_view, 26> kUnits = {
      "N·m", "mN·m", "N·m·s", "N·m·s²", "N·m·rad²/s²", "N",   "W",  "mW", "kW",
      "V",   "A",    "Hz",    "s",      "ms",          "min", "mm", "m",  "m/s²",
      "g",   "g/m",  "kg·m²", "rad/s",  "Ω",           "K",   "°",  "%"};
  return std::find(kUnits.begin(), kUnits.end(), text) != kUnits.end();
}

// "c0": no two letters beside each other.
bool is_symbol(std::string_view text) {
  for (std::size_t i = 1; i < text.size(); ++i)
    if (is_letter(text[i - 1]) && is_letter(text[i])) return false;
  return true;
}

// ---- the file ----------------------------------------------------------------------------------

std::string unquoted(std::string_view line) {
  const std::size_t from = line.find('"'), to = line.rfind('"');
  if (from == std::string_view::npos || to <= from) return "";
  std::string text;
  for (std::size_t i = from + 1; i < to; ++i) {
    if (line[i] == '\\' && i + 1 < to)
      text += line[++i] == 'n' ? '\n' : line[i];
    else
      text += line[i];
  }
  return text;
}

struct RawEntry {
  std::string english, said;
};

std::vector<RawEntry> entries_of(std::string_view file) {
  std::vector<RawEntry> entries;
  std::string* part = nullptr;
  while (!file.empty()) {
    const std::size_t end = std::min(file.find('\n'), file.size());
    const std::string_view line = file.substr(0, end);
    file.remove_prefix(std::min(end + 1, file.size()));
    if (line.starts_with("msgid")) {
      entries.emplace_back();
      part = &entries.back().english;
    } else if (line.starts_with("msgstr") && !entries.empty()) {
      part = &entries.back().said;
    } else if (!line.starts_with("\"")) {
      continue;
    }
    if (part) *part += unquoted(line);
  }
  return entries;
}

// ---- one entry ---------------------------------------------------------------------------------

// Text and placeholders by turns: pieces.size() == places.size() + 1.
struct Pattern {
  struct Place {
    std::size_t argument = 0;
    char kind = 't';  // t as it is, n number, w words
  };
  std::vector<std::string> pieces{""};
  std::vector<Place> places;
};

Pattern pattern_of(std::string_view text) {
  Pattern pattern;
  while (!text.empty()) {
    const std::size_t open = text.find('{');
    const std::size_t close = open == std::string_view::npos ? open : text.find('}', open);
    if (close == std::string_view::npos) {
      pattern.pieces.back() += text;
      break;
    }
    pattern.pieces.back() += text.substr(0, open);
    const std::string_view inside = text.substr(open + 1, close - open - 1);
    Pattern::Place place{pattern.places.size(), 't'};
    if (!inside.empty() && is_digit(inside[0]))
      place.argument = static_cast<std::size_t>(std::atoi(std::string(inside).c_str())) - 1;
    if (const std::size_t colon = inside.find(':'); colon + 1 < inside.size())
      place.kind = inside[colon + 1];
    pattern.places.push_back(place);
    pattern.pieces.emplace_back();
    text.remove_prefix(close + 1);
  }
  return pattern;
}

std::string_view without_stop(std::string_view text) {
  return text.ends_with('.') && !text.ends_with("..") ? text.substr(0, text.size() - 1) : text;
}

struct Entry {
  Pattern english, said;
  std::vector<char> kinds;  // of each argument, as `said` uses it
  std::size_t letters = 0;  // of the English text between the placeholders
};

Entry entry_of(const RawEntry& raw) {
  Entry entry;
  entry.english = pattern_of(without_stop(raw.english));
  // In the English text every placeholder counts, whatever format it asks for.
  for (std::size_t i = 0; i < entry.english.places.size(); ++i) entry.english.places[i] = {i, 't'};
  entry.said = pattern_of(without_stop(raw.said));
  entry.kinds.assign(entry.english.places.size(), 't');
  for (const Pattern::Place& place : entry.said.places)
    if (place.argument < entry.kinds.size() && entry.kinds[place.argument] == 't')
      entry.kinds[place.argument] = place.kind;
  for (const std::string& piece : entry.english.pieces) entry.letters += piece.size();
  return entry;
}

// The beginning of a sentence may be written either way.
bool begins(std::string_view text, std::string_view piece, bool first) {
  if (text.starts_with(piece)) return true;
  if (!first || piece.empty() || text.empty()) return false;
  const auto small = [](char c) { return std::tolower(static_cast<unsigned char>(c)); };
  return small(text[0]) == small(piece[0]) && text.substr(1).starts_with(piece.substr(1));
}

std::string with_capital(std::string text) {
  if (!text.empty()) text[0] = static_cast<char>(std::toupper(static_cast<unsigned char>(text[0])));
  return text;
}

}  // namespace

// ---- all entries -------------------------------------------------------------------------------

class Language::Catalogue {
 public:
  explicit Catalogue(const LanguageFile& file) : code_(file.code) {
    for (const RawEntry& raw : entries_of(file.text)) {
      if (raw.english.empty()) {
        decimal_ = header(raw.said, "X-Decimal: ");
        group_ = header(raw.said, "X-Group: ");
      } else if (raw.english.find('{') == std::string::npos) {
        fixed_[std::string(without_stop(raw.english))] = std::string(without_stop(raw.said));
      } else {
        entries_.push_back(entry_of(raw));
      }
    }
    // The entry that leaves least to its placeholders is tried first.
    std::stable_sort(entries_.begin(), entries_.end(),
                     [](const Entry& a, const Entry& b) { return a.letters > b.letters; });
  }

  const std::string& code() const { return code_; }
  const std::string& decimal() const { return decimal_; }

  // A name that holds a full stop may be meant, but two sentences are far likelier.
  std::optional<std::string> words(std::string_view text) const {
    if (text.size() > kLongest) return std::nullopt;
    int steps = 0;
    if (auto said = words(text, {0, true, &steps})) return said;
    return words(text, {0, false, &steps});
  }

  // How deep in words within words, whether a name may not span sentences, and what it all cost.
  struct Depth {
    int depth;
    bool strict;
    int* steps;
  };
  std::optional<std::string> words(std::string_view text, Depth depth) const {
    if (text.empty()) return "";
    if (depth.depth > kDeepest || (*depth.steps += kStepsOfLook) > kMostSteps) return std::nullopt;
    if (auto said = one(text, depth)) return said;
    for (const std::string_view between : {". ", "; "})
      for (std::size_t at = text.find(between); at != std::string_view::npos;
           at = text.find(between, at + 1)) {
        const std::size_t end = between[0] == '.' ? at + 1 : at;  // a full stop belongs to its own
        const auto left = one(text.substr(0, end), depth);
        if (!left) continue;
        if (const auto right = words(text.substr(at + 2), depth))
          return *left + std::string(between.substr(between[0] == '.' ? 1 : 0)) + *right;
      }
    return std::nullopt;
  }

  // Nothing when the text holds more than numbers, units and what stands between them.
  std::optional<std::string> number(std::string_view text) const {
    std::string out;
    bool any = false;
    for (std::size_t i = 0; i < text.size();) {
      if (is_digit(text[i])) {
        std::size_t end = i;
        while (end < text.size() && (is_digit(text[end]) || inner_mark(text, end))) ++end;
        out += marked(text.substr(i, end - i));
        i = end;
        any = true;
      } else if (is_letter(text[i])) {
        std::size_t end = i;
        while (end < text.size() && text[end] != ' ' && text[end] != ',' && text[end] != ')') ++end;
        const auto said = word_beside_number(text.substr(i, end - i));
        if (!said) return std::nullopt;
        out += *said;
        any = any || text.substr(i, end - i) == "unknown";
        i = end;
      } else {
        out += text[i++];
      }
    }
    if (!any) return std::nullopt;
    return out;
  }

 private:
  static std::string header(const std::string& lines, std::string_view key) {
    const std::size_t at = lines.find(key);
    if (at == std::string::npos) return "";
    const std::size_t from = at + key.size();
    return lines.substr(from, lines.find('\n', from) - from);
  }

  // A mark within a number: before three digits, or a point before any; an exponent.
  static bool inner_mark(std::string_view text, std::size_t i) {
    const bool more = i + 1 < text.size();
    if (!more) return false;
    if ((text[i] == ',' || text[i] == '.' || text[i] == 'e') && is_digit(text[i + 1])) return true;
    return text[i] == 'e' && (text[i + 1] == '-' || text[i + 1] == '+') && i + 2 < text.size() &&
           is_digit(text[i + 2]);
  }

  std::string marked(std::string_view number) const {
    if (std::count(number.begin(), number.end(), '.') > 1) return std::string(number);  // a version
    std::string out;
    for (const char c : number) {
      if (c == ',')
        out += group_;
      else if (c == '.')
        out += decimal_;
      else
        out += c;
    }
    return out;
  }

  // Units and the "to" of an interval; those that every language writes alike need no entry.
  std::optional<std::string> word_beside_number(std::string_view word) const {
    if (is_unit(word)) return std::string(word);
    static constexpr std::array<std::string_view, 8> kBeside = {
        "to", "rpm", "unknown", "counts", "years", "turns", "and", "N·m·rad²/s²"};
    if (std::find(kBeside.begin(), kBeside.end(), word) == kBeside.end() &&
        word.find('/') == word.npos && static_cast<unsigned char>(word[0]) < 0x80U)
      return std::nullopt;
    const auto found = fixed_.find(std::string(word));
    return found == fixed_.end() ? std::string(word) : found->second;
  }

  std::optional<std::string> one(std::string_view whole, Depth depth) const {
    if ((*depth.steps += kStepsOfLook) > kMostSteps) return std::nullopt;
    const std::string_view text = without_stop(whole);
    std::optional<std::string> said = fixed(text);
    for (auto entry = entries_.begin(); !said && entry != entries_.end(); ++entry)
      said = filled(*entry, text, depth);
    if (!said) return said;
    if (std::isupper(static_cast<unsigned char>(text[0]))) said = with_capital(std::move(*said));
    if (text.size() < whole.size() && !said->empty() &&
        std::string_view(".!?:").find(said->back()) == std::string_view::npos)
      *said += '.';
    return said;
  }

  std::optional<std::string> fixed(std::string_view text) const {
    std::string key(text);
    for (int i = 0; i < 2 && !key.empty(); ++i) {
      if (const auto found = fixed_.find(key); found != fixed_.end()) return found->second;
      const unsigned char c = static_cast<unsigned char>(key[0]);
      key[0] = static_cast<char>(std::isupper(c) ? std::tolower(c) : std::toupper(c));
    }
    return std::nullopt;
  }

  std::optional<std::string> filled(const Entry& entry, std::string_view text, Depth depth) const {
    if (!begins(text, entry.english.pieces.front(), true)) return std::nullopt;
    if (!text.ends_with(entry.english.pieces.back())) return std::nullopt;
    std::vector<std::string> arguments;
    if (!match(entry, text.substr(entry.english.pieces.front().size()), 0, depth, arguments))
      return std::nullopt;
    std::string out = entry.said.pieces.front();
    for (std::size_t i = 0; i < entry.said.places.size(); ++i) {
      const std::size_t argument = entry.said.places[i].argument;
      if (argument < arguments.size()) out += arguments[argument];
      out += entry.said.pieces[i + 1];
    }
    return out;
  }

  // Places from `place` on, the text before it taken off; arguments come in this language.
  bool match(const Entry& entry, std::string_view text, std::size_t place, Depth depth,
             std::vector<std::string>& arguments) const {
    const std::string& next = entry.english.pieces[place + 1];
    const bool last = place + 2 == entry.english.pieces.size();
    const std::size_t only = last && text.size() >= next.size() ? text.size() - next.size() : 0;
    for (std::size_t at = last ? only : 0; at <= text.size(); ++at) {
      if (++*depth.steps > kMostSteps) return false;
      if (!next.empty()) at = text.find(next, at);
      if (at == std::string_view::npos || (last && at + next.size() != text.size())) return false;
      const auto argument = said_argument(entry.kinds[place], text.substr(0, at), depth);
      if (argument) {
        arguments.push_back(*argument);
        if (last || match(entry, text.substr(at + next.size()), place + 1, depth, arguments))
          return true;
        arguments.pop_back();
      }
      if (last) return false;
    }
    return false;
  }

  std::optional<std::string> said_argument(char kind, std::string_view text, Depth depth) const {
    if (kind == 'n') return number(text);
    if (kind == 'w') return words(text, {depth.depth + 1, depth.strict, depth.steps});
    if (depth.strict && text.find(". ") != std::string_view::npos) return std::nullopt;
    return std::string(text);
  }

  std::string code_, decimal_ = ".", group_ = ",";
  std::map<std::string, std::string, std::less<>> fixed_;
  std::vector<Entry> entries_;
};

// ---- choosing one ------------------------------------------------------------------------------

std::vector<std::string> Language::codes() {
  std::vector<std::string> codes{"en"};
  for (const LanguageFile& file : language_files()) codes.emplace_back(file.code);
  return codes;
}

Language Language::named(const std::string& code) {
  Language language;
  if (code == "en") return language;
  for (const LanguageFile& file : language_files())
    if (file.code == code) {
      language.catalogue_ = std::make_shared<const Catalogue>(file);
      return language;
    }
  std::string all;
  for (const std::string& one : codes()) all += (all.empty() ? "" : ", ") + one;
  throw Error(Fault::kInput,
              "there is no language '" + code + "'; --lang takes one of " + all + ".");
}

Language Language::of_locale() {
  for (const char* name : {"LC_ALL", "LC_MESSAGES", "LANG"}) {
    const char* value = std::getenv(name);
    if (!value || !*value) continue;
    const std::string locale(value);
    const std::string code = locale.substr(0, locale.find_first_of("_.@"));
    for (const std::string& one : codes())
      if (one == code) return named(one);
    break;
  }
  return {};
}

std::string Language::code() const { return catalogue_ ? catalogue_->code() : "en"; }

std::string Language::decimal_mark() const { return catalogue_ ? catalogue_->decimal() : "."; }

std::string Language::words(std::string_view english) const {
  if (!catalogue_ || english.empty() || is_unit(english)) return std::string(english);
  if (auto said = catalogue_->words(english)) return *said;
  if (auto said = catalogue_->number(english)) return *said;
  if (is_symbol(english)) return std::string(english);
  untranslated_.emplace(english);
  return std::string(english);
}

std::string Language::number(std::string_view english) const {
  if (!catalogue_) return std::string(english);
  return catalogue_->number(english).value_or(std::string(english));
}

}  // namespace loadline
