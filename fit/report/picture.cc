#include "fit/report/picture.h"

#include <fmt/format.h>

#include <filesystem>
#include <fstream>
#include <iterator>

#include "db/basis/error.h"

namespace loadline {
namespace {

constexpr std::uintmax_t kMostBytes = 8 << 20;  // a telephone's photograph has 2 to 6 MB

/// RFC 4648, section 4.
std::string base64(const std::string& bytes) {
  static constexpr char kDigits[] =
      "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
  std::string out;
  out.reserve((bytes.size() + 2) / 3 * 4);
  for (std::size_t at = 0; at < bytes.size(); at += 3) {
    const std::size_t left = std::min<std::size_t>(3, bytes.size() - at);
    unsigned three = 0;
    for (std::size_t i = 0; i < 3; ++i)
      three = three << 8U | (i < left ? static_cast<unsigned char>(bytes[at + i]) : 0U);
    for (std::size_t i = 0; i < 4; ++i)
      out += i <= left ? kDigits[three >> (18 - 6 * i) & 63U] : '=';
  }
  return out;
}

const char* type_of(const std::string& bytes) {
  if (bytes.starts_with("\xff\xd8\xff")) return "image/jpeg";
  if (bytes.starts_with("\x89PNG\r\n\x1a\n")) return "image/png";
  return nullptr;
}

}  // namespace

Picture read_picture(const std::string& words_and_file) {
  const auto equals = words_and_file.rfind('=');
  const bool worded = equals != std::string::npos;
  const std::filesystem::path file = worded ? words_and_file.substr(equals + 1) : words_and_file;
  Picture picture;
  picture.words = worded ? words_and_file.substr(0, equals) : file.stem().string();
  std::error_code failed;
  const std::uintmax_t size = std::filesystem::file_size(file, failed);
  if (failed || !std::filesystem::is_regular_file(file))
    throw Error(Fault::kInput, fmt::format("the picture '{}' cannot be read; give --picture "
                                           "\"WORDS=FILE\".",
                                           file.string()));
  if (size > kMostBytes)
    throw Error(Fault::kInput,
                fmt::format("the picture '{}' has {} MB; make it smaller, 8 MB is the most.",
                            file.string(), size >> 20U));
  std::ifstream stream(file, std::ios::binary);
  const std::string bytes((std::istreambuf_iterator<char>(stream)), {});
  const char* const type = type_of(bytes);
  if (!type)
    throw Error(Fault::kInput, fmt::format("'{}' is no JPEG and no PNG, which is what browsers "
                                           "show everywhere; save it as one of them.",
                                           file.string()));
  picture.data_uri = fmt::format("data:{};base64,{}", type, base64(bytes));
  return picture;
}

}  // namespace loadline
