#include "db/exchange/csv_lines.h"

#include <fmt/format.h>

#include <cerrno>
#include <cstring>
#include <filesystem>

#include "db/basis/error.h"

namespace loadline {
namespace {

constexpr std::size_t kLongestLine = 1 << 20;
constexpr std::size_t kFirstBuffer = 1 << 16;  // grows only for a line that is longer

}  // namespace

CsvLines::CsvLines(const std::string& path) : path_(path), buffer_(kFirstBuffer) {
  std::error_code ignored;
  if (std::filesystem::is_directory(path, ignored))
    throw Error(Fault::kInput, fmt::format("{} is a folder; name a CSV file in it.", path));
  file_.reset(std::fopen(path.c_str(), "rb"));
  if (!file_)
    throw Error(Fault::kInput, fmt::format("{} cannot be read ({}); check the name and its "
                                           "permission.",
                                           path, std::strerror(errno)));
  if (std::filesystem::is_regular_file(path, ignored))
    size_ = static_cast<long long>(std::filesystem::file_size(path, ignored));
  fill();
  skip_byte_order_mark();
}

bool CsvLines::fill() {
  std::memmove(buffer_.data(), buffer_.data() + begin_, end_ - begin_);
  end_ -= begin_;
  begin_ = 0;
  if (end_ == buffer_.size()) buffer_.resize(2 * end_);
  const std::size_t got = std::fread(buffer_.data() + end_, 1, buffer_.size() - end_, file_.get());
  if (got == 0 && std::ferror(file_.get()))
    throw Error(Fault::kInput,
                fmt::format("{} stopped reading after {} bytes ({}); check its drive.", path_,
                            taken_, std::strerror(errno)));
  end_ += got;
  return got > 0;
}

void CsvLines::skip_byte_order_mark() {
  const std::string_view start(buffer_.data(), end_);
  if (start.substr(0, 3) == "\xEF\xBB\xBF") {
    begin_ = 3;
    taken_ = 3;
  }
  if (start.substr(0, 2) == "\xFF\xFE" || start.substr(0, 2) == "\xFE\xFF")
    throw Error(Fault::kInput,
                fmt::format("{} is written in UTF-16; save it again as CSV in UTF-8.", path_));
}

bool CsvLines::next(std::string_view& line) {
  std::size_t searched = 0;
  const char* newline = nullptr;
  for (;;) {
    const std::size_t length = end_ - begin_;
    newline = static_cast<const char*>(
        std::memchr(buffer_.data() + begin_ + searched, '\n', length - searched));
    if (newline || length > kLongestLine) break;
    searched = length;
    if (!fill()) break;
  }
  std::size_t length =
      newline ? static_cast<std::size_t>(newline - buffer_.data()) - begin_ : end_ - begin_;
  if (!newline && length == 0) return false;
  ++number_;
  if (length > kLongestLine)
    throw Error(Fault::kInput, fmt::format("{}, line {}: longer than {} bytes; this is no table of "
                                           "readings.",
                                           path_, number_, kLongestLine));
  const std::size_t with_end = length + (newline ? 1 : 0);
  line = std::string_view(buffer_.data() + begin_, length);
  if (!line.empty() && line.back() == '\r') line.remove_suffix(1);
  begin_ += with_end;
  taken_ += static_cast<long long>(with_end);
  return true;
}

}  // namespace loadline
