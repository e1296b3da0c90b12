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

std::size_t put_utf8(char32_t code, char* to) {
  const auto tail = [&](int shift) { return static_cast<char>(0x80 | (code >> shift & 0x3F)); };
  if (code < 0x80) {
    to[0] = static_cast<char>(code);
    return 1;
  }
  if (code < 0x800) {
    to[0] = static_cast<char>(0xC0 | code >> 6);
    to[1] = tail(0);
    return 2;
  }
  if (code < 0x10000) {
    to[0] = static_cast<char>(0xE0 | code >> 12);
    to[1] = tail(6);
    to[2] = tail(0);
    return 3;
  }
  to[0] = static_cast<char>(0xF0 | code >> 18);
  to[1] = tail(12);
  to[2] = tail(6);
  to[3] = tail(0);
  return 4;
}

}  // namespace

CsvLines::CsvLines(const CsvSource& source) : name_(source.name), buffer_(kFirstBuffer) {
  const std::string& path = source.path;
  std::error_code ignored;
  if (std::filesystem::is_directory(path, ignored))
    throw Error(Fault::kInput, fmt::format("{} is a folder; name a CSV file in it.", name_));
  file_.reset(std::fopen(path.c_str(), "rb"));
  if (!file_)
    throw Error(Fault::kInput, fmt::format("{} cannot be read ({}); check the name and its "
                                           "permission.",
                                           name_, std::strerror(errno)));
  if (std::filesystem::is_regular_file(path, ignored))
    size_ = static_cast<long long>(std::filesystem::file_size(path, ignored));
  judge_encoding();
  fill();
  if (!std::memchr(buffer_.data(), '\n', end_) && std::memchr(buffer_.data(), '\r', end_))
    line_end_ = '\r';
}

bool CsvLines::fill() {
  std::memmove(buffer_.data(), buffer_.data() + begin_, end_ - begin_);
  end_ -= begin_;
  begin_ = 0;
  constexpr std::size_t kLeastRoom = 64;
  if (buffer_.size() - end_ < kLeastRoom) buffer_.resize(2 * buffer_.size());
  const std::size_t got = read_into(buffer_.data() + end_, buffer_.size() - end_);
  end_ += got;
  return got > 0;
}

std::size_t CsvLines::read_into(char* to, std::size_t room) {
  if (encoding_ != Encoding::kBytes) return read_utf16_into(to, room);
  const std::size_t got = std::fread(to, 1, room, file_.get());
  if (got == 0 && std::ferror(file_.get()))
    throw Error(Fault::kInput,
                fmt::format("{} stopped reading after {} bytes ({}); check its drive.", name_,
                            taken_, std::strerror(errno)));
  return got;
}

// Three bytes of UTF-8 at most for two of UTF-16, and four for four.
std::size_t CsvLines::read_utf16_into(char* to, std::size_t room) {
  std::size_t done = 0;
  while (room - done >= 8) {
    const int first = std::fgetc(file_.get());
    const int second = first < 0 ? -1 : std::fgetc(file_.get());
    if (second < 0) break;
    const bool little = encoding_ == Encoding::kUtf16Little;
    const auto unit = static_cast<char32_t>(little ? first | second << 8 : first << 8 | second);
    const bool high = unit >= 0xD800 && unit < 0xDC00, low = unit >= 0xDC00 && unit < 0xE000;
    if (high_surrogate_ != 0 && low)
      done += put_utf8(0x10000 + ((high_surrogate_ - 0xD800) << 10) + (unit - 0xDC00), to + done);
    else if (!high)
      done += put_utf8(low ? U'?' : unit, to + done);
    high_surrogate_ = high ? unit : 0;
  }
  return done;
}

// By the byte order mark; else, text in UTF-16 has a zero byte beside each letter of a header.
void CsvLines::judge_encoding() {
  unsigned char start[4] = {1, 1, 1, 1};
  const std::size_t got = std::fread(start, 1, 4, file_.get());
  std::size_t mark = 0;
  if (got >= 3 && start[0] == 0xEF && start[1] == 0xBB && start[2] == 0xBF) mark = 3;
  if (got >= 2 && start[0] == 0xFF && start[1] == 0xFE) {
    mark = 2;
    encoding_ = Encoding::kUtf16Little;
  } else if (got >= 2 && start[0] == 0xFE && start[1] == 0xFF) {
    mark = 2;
    encoding_ = Encoding::kUtf16Big;
  } else if (got == 4 && start[1] == 0 && start[3] == 0 && start[0] != 0 && start[2] != 0) {
    encoding_ = Encoding::kUtf16Little;
  } else if (got == 4 && start[0] == 0 && start[2] == 0 && start[1] != 0 && start[3] != 0) {
    encoding_ = Encoding::kUtf16Big;
  }
  taken_ = static_cast<long long>(mark);
  if (encoding_ != Encoding::kBytes) size_ /= 2;
  std::rewind(file_.get());
  std::fseek(file_.get(), static_cast<long>(mark), SEEK_SET);
}

bool CsvLines::next(std::string_view& line) {
  std::size_t searched = 0;
  const char* newline = nullptr;
  for (;;) {
    const std::size_t length = end_ - begin_;
    newline = static_cast<const char*>(
        std::memchr(buffer_.data() + begin_ + searched, line_end_, length - searched));
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
                                           name_, number_, kLongestLine));
  const std::size_t with_end = length + (newline ? 1 : 0);
  line = std::string_view(buffer_.data() + begin_, length);
  if (!line.empty() && line.back() == '\r') line.remove_suffix(1);
  begin_ += with_end;
  taken_ += static_cast<long long>(with_end);
  return true;
}

}  // namespace loadline
