// A program's table of verbs, and what a person typed after one of them.
#pragma once

#include <boost/program_options.hpp>
#include <functional>
#include <optional>
#include <string>
#include <vector>

namespace loadline {

/// What the person typed after the verb, already parsed and checked against the verb's options.
class Arguments {
 public:
  Arguments(boost::program_options::variables_map values, std::vector<std::string> names);

  /// True when the option was given (or has a default).
  bool has(const std::string& option) const { return values_.count(option) > 0; }
  /// For `bool_switch` options.
  bool flag(const std::string& option) const;
  /// A finite number; Error(kInput) naming the option for NaN and infinity. Empty when not given.
  std::optional<double> number(const std::string& option) const;
  std::optional<std::string> text(const std::string& option) const;
  std::optional<long long> whole(const std::string& option) const;
  std::vector<std::string> texts(const std::string& option) const;
  /// The words after the verb that belong to no option, in order.
  const std::vector<std::string>& names() const { return names_; }
  /// Word `index`, or Error(kInput) "… needs the name of …" with `what` in it.
  const std::string& name(std::size_t index, const std::string& what) const;

  bool json() const { return flag("json"); }
  /// --book, else $LOADLINE_BOOK, else bench.book.
  std::string book_path() const;

 private:
  boost::program_options::variables_map values_;
  std::vector<std::string> names_;
};

struct Verb {
  std::string name;         ///< "record"
  std::string words;        ///< synopsis of the words after it: "KIND --port PATH"
  std::string summary;      ///< one line that says what to do: "record a run …", no full stop
  std::string description;  ///< paragraphs for --help and the man page
  std::string example;      ///< one or more complete command lines
  std::size_t most_names;   ///< how many words beside options it takes at most
  boost::program_options::options_description options;
  std::function<int(const Arguments&)> run;  ///< returns 0 or 1; throws Error for the rest
  /// What the first word after the verb can be, blank between two; for completion. May be empty.
  std::string first_words = {};
  /// Which list of the book the NAME after the verb comes from ("motors"), or "first word" for a
  /// second word of the kind that the first one says; for completion. May be empty.
  std::string names_from = {};
  /// Whether an option goes with a first word; help and completion leave out the others. May be
  /// empty, then all do.
  std::function<bool(const std::string& first_word, const std::string& option)> option_fits = {};
};

struct Program {
  std::string name;         ///< "loadline-fit"
  std::string summary;      ///< one line
  std::string description;  ///< paragraphs
  std::string cautions;     ///< printed in --help and the man page; may be empty
  /// A program of one job has one verb with an empty name, and no word is taken as a verb.
  std::vector<Verb> verbs;
  /// What it says of the book when it is called without a word, or with --book alone (where the
  /// evening stands); may be empty, and an empty text means that there is nothing to say yet.
  std::function<std::string(const std::string& book_path)> bare = {};
};

}  // namespace loadline
