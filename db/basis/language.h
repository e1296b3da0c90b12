// Another language for what a page says.
//
// The programs think and store their sentences in English: a book travels, and the fits put their
// warnings into it as sentences. A page hands each of its texts to a Language, which finds the
// entry that the text was made from and says it again. A language is one file in
// db/basis/languages, in gettext's format (.po): msgid is the English text as it stands in the
// source, with {} for what was put in; msgstr says it with
//
//   {1}    the first thing that was put in, as it is (a name);
//   {1:n}  a number, an interval, a list of numbers, with or without a unit: written as the
//          language writes numbers;
//   {1:w}  words that are entries themselves.
//
// Which entry fits is found by the text between the placeholders; a {1:n} takes numbers only and a
// {1:w} known words only. The header's X-Decimal and X-Group are the marks in numbers.
#pragma once

#include <memory>
#include <optional>
#include <set>
#include <string>
#include <string_view>
#include <vector>

namespace loadline {

/// A value with a list of its own of what it could not say; one thread at a time.
class Language {
 public:
  /// English: says everything as it is.
  Language() = default;
  /// "en", "de", …; Error(kInput) that names those that there are for any other.
  static Language named(const std::string& code);
  /// The first of LC_ALL, LC_MESSAGES and LANG that is set decides, as in POSIX; English where
  /// there is no such language.
  static Language of_locale();
  /// All codes, English first.
  static std::vector<std::string> codes();

  std::string code() const;
  /// The text in this language: an entry, or sentences that are entries each. What cannot be said
  /// stays English and is kept in untranslated(). Empty stays empty.
  std::string words(std::string_view english) const;
  /// A number, an interval or a list of numbers, with or without a unit; the same when it is none.
  std::string number(std::string_view english) const;
  /// The mark before the decimals, "." or ",".
  std::string decimal_mark() const;
  const std::set<std::string>& untranslated() const { return untranslated_; }

  class Catalogue;

 private:
  std::shared_ptr<const Catalogue> catalogue_;  // none: English
  mutable std::set<std::string> untranslated_;
};

}  // namespace loadline
