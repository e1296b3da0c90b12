// Lines of a text file from somewhere else, one after the other, in bounded memory.
#pragma once

#include <cstdio>
#include <memory>
#include <string>
#include <string_view>
#include <vector>

namespace loadline {

/// A table that can be read more than once, and what people call it.
struct CsvSource {
  std::string path, name;
};

/// Reads a file in large pieces. Accepts LF, CRLF and CR alone, a missing last line end, byte order
/// marks, and UTF-16, which is handed out as UTF-8. Error(kInput) for a file that cannot be opened
/// or read, and a line of more than a mebibyte (which no table of readings has).
class CsvLines {
 public:
  explicit CsvLines(const CsvSource& source);

  /// The next line without its end, valid until the next call; false at the end of the file.
  bool next(std::string_view& line);
  /// Of the line that next() gave last, from 1.
  long number() const { return number_; }
  /// Bytes taken so far, and in the whole file (0 when it is no regular file).
  double bytes_done() const { return static_cast<double>(taken_); }
  double bytes_in_all() const { return static_cast<double>(size_); }

 private:
  struct CloseFile {
    void operator()(std::FILE* file) const { std::fclose(file); }
  };
  enum class Encoding { kBytes, kUtf16Little, kUtf16Big };
  bool fill();
  std::size_t read_into(char* to, std::size_t room);
  std::size_t read_utf16_into(char* to, std::size_t room);
  void judge_encoding();

  std::string name_;
  std::unique_ptr<std::FILE, CloseFile> file_;
  std::vector<char> buffer_;
  char line_end_ = '\n';
  std::size_t begin_ = 0, end_ = 0;  ///< what of the buffer is not taken yet
  Encoding encoding_ = Encoding::kBytes;
  char32_t high_surrogate_ = 0;  ///< of UTF-16, whose second half has not come yet
  long number_ = 0;
  long long taken_ = 0, size_ = 0;
};

}  // namespace loadline
