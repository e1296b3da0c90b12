// Numbers as other people's spreadsheets write them: 1.234,5 or 1,234.5 or 1 234,5.
//
// Which mark is the decimal one is not told by one number ("1.234" may be either), so all numbers
// of a file are looked at first. A mark is decimal for certain where the digits after it are not
// three, where a group before it has a leading zero or more than three digits, where the other mark
// comes before it, or beside an exponent; it parts thousands for certain where it comes twice.
#pragma once

#include <optional>
#include <string>
#include <string_view>

namespace loadline {

class NumberMarks {
 public:
  explicit NumberMarks(char decimal = '.') : decimal_(decimal) {}
  char decimal() const { return decimal_; }
  /// The number in `cell`, empty when it is none. Blanks and apostrophes may part thousands as well
  /// as the mark that is not decimal; each group then has three digits.
  std::optional<double> number(std::string_view cell) const;

 private:
  char decimal_;
};

/// What the numbers of one file say about its decimal mark.
class MarkEvidence {
 public:
  /// `line` is where the cell stands. Cells that hold no number say nothing.
  void look_at(std::string_view cell, long line);

  /// '.' or ',' where it is certain or where no number has a mark; 0 where it cannot be told.
  char decimal() const;
  bool contradicts() const { return point_.line > 0 && comma_.line > 0; }
  /// A clause about why it cannot be told, when decimal() is 0.
  std::string doubt() const;

 private:
  struct Seen {
    long line = 0;  ///< of the first one, 0 for none
    std::string cell;
    void note(std::string_view text, long at);
  };
  Seen point_, comma_;    ///< certainly decimal
  Seen either_;           ///< may be decimal or part thousands
  char either_mark_ = 0;  ///< 'x' when both marks are seen so
};

}  // namespace loadline
