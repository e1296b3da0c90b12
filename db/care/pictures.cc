#include "db/care/pictures.h"

#include <fmt/format.h>
#include <openssl/evp.h>

#include <algorithm>
#include <array>
#include <filesystem>
#include <fstream>
#include <nlohmann/json.hpp>
#include <sstream>
#include <string_view>

#include "db/sql/text.h"

namespace loadline {

const char* const kPictureDocuments = "picture/";

namespace {

constexpr std::size_t kUuid = 36, kHash = 16;  // characters in a document's name

std::string type_of(std::string_view bytes) {
  using namespace std::string_view_literals;
  if (bytes.substr(0, 8) == "\x89PNG\r\n\x1a\n"sv) return "image/png";
  if (bytes.substr(0, 3) == "\xff\xd8\xff"sv) return "image/jpeg";
  return "";
}

std::string base64_of(const std::string& bytes) {
  std::string text(4 * ((bytes.size() + 2) / 3) + 1, '\0');
  EVP_EncodeBlock(reinterpret_cast<unsigned char*>(text.data()),
                  reinterpret_cast<const unsigned char*>(bytes.data()),
                  static_cast<int>(bytes.size()));
  text.pop_back();  // the zero that OpenSSL writes
  return text;
}

// Empty for text that is no base64, or not the only way to write its bytes.
std::string bytes_of(const std::string& base64) {
  if (base64.size() % 4 != 0 || base64.size() > 4 * (kLargestPicture / 3 + 1)) return "";
  std::string bytes(base64.size() / 4 * 3, '\0');
  const int length = EVP_DecodeBlock(reinterpret_cast<unsigned char*>(bytes.data()),
                                     reinterpret_cast<const unsigned char*>(base64.data()),
                                     static_cast<int>(base64.size()));
  if (length < 0) return "";
  const auto padded = static_cast<std::size_t>(std::count(
      base64.end() - std::min<std::ptrdiff_t>(2, std::ssize(base64)), base64.end(), '='));
  bytes.resize(static_cast<std::size_t>(length) - padded);
  return base64_of(bytes) == base64 ? bytes : "";
}

std::string hash_of(const std::string& bytes) {
  std::array<unsigned char, EVP_MAX_MD_SIZE> digest{};
  unsigned int length = 0;
  EVP_Digest(bytes.data(), bytes.size(), digest.data(), &length, EVP_sha256(), nullptr);
  std::string hex;
  for (std::size_t i = 0; i < kHash / 2; ++i) hex += fmt::format("{:02x}", digest[i]);
  return hex;
}

std::string name_in_book(const std::string& uuid, const std::string& bytes) {
  return kPictureDocuments + uuid + "/" + hash_of(bytes);
}

Picture picture_of(std::string name, const std::string& bytes) {
  Picture picture{std::move(name), base64_of(bytes), bytes.size(), type_of(bytes)};
  require_name(picture.name, "the name of the picture");
  if (picture.type.empty())
    throw Error(Fault::kInput,
                fmt::format("'{}' is no PNG or JPEG picture; save it as one.", picture.name));
  if (picture.bytes > kLargestPicture)
    throw Error(Fault::kInput, fmt::format("'{}' has more than {} MB; save it smaller (1,600 "
                                           "pixels across do for a page).",
                                           picture.name, kLargestPicture >> 20U));
  return picture;
}

}  // namespace

Picture read_picture(const std::string& path) {
  std::ifstream file(path, std::ios::binary);
  std::string bytes(kLargestPicture + 1, '\0');
  if (file) file.read(bytes.data(), std::ssize(bytes));
  if (!file.is_open() || file.bad() || file.gcount() == 0)
    throw Error(Fault::kInput, fmt::format("cannot read the picture '{}'; check the path.", path));
  bytes.resize(static_cast<std::size_t>(file.gcount()));
  return picture_of(as_utf8(std::filesystem::path(path).filename().string()), bytes);
}

void add_picture(Book& book, const std::string& uuid, const Picture& picture) {
  require_uuid(uuid, "what the picture shows");
  book.put_document(name_in_book(uuid, bytes_of(picture.base64)),
                    Json{{"name", picture.name}, {"base64", picture.base64}}.dump());
}

std::string subject_of_picture(const std::string& document) {
  const std::size_t from = std::string_view(kPictureDocuments).size();
  if (document.size() != from + kUuid + 1 + kHash || document[from + kUuid] != '/') return "";
  return document.substr(from, kUuid);
}

Picture picture_in(const std::string& document, const std::string& json) {
  const Json told = Json::parse(json, nullptr, false);
  const auto text = [&](const char* key) {
    const bool there = told.is_object() && told.contains(key) && told[key].is_string();
    return there ? told[key].get<std::string>() : std::string();
  };
  const std::string bytes = bytes_of(text("base64"));
  if (name_in_book(subject_of_picture(document), bytes) != document)
    throw Error(Fault::kInput, "the bytes of the picture were altered");
  return picture_of(text("name"), bytes);
}

std::vector<Picture> pictures_of(const Book& book, const std::string& uuid) {
  std::vector<Picture> pictures;
  for (const std::string& name : book.document_names(kPictureDocuments + uuid + "/")) try {
      pictures.push_back(picture_in(name, book.document(name).value_or("")));
    } catch (const Error& error) {
      if (error.fault() != Fault::kInput) throw;
    }
  return pictures;
}

std::vector<Picture> pictures_of(const Book& book, const Part& part) {
  std::vector<Picture> pictures = pictures_of(book, part.uuid);
  for (const JoinedPart& joined : book.joined(part.kind, part.id))
    for (Picture& picture : pictures_of(book, joined.uuid)) pictures.push_back(std::move(picture));
  return pictures;
}

Json pictures_json(const std::vector<Picture>& pictures) {
  Json list = Json::array();
  for (const Picture& picture : pictures)
    list.push_back({{"name", picture.name}, {"type", picture.type}, {"bytes", picture.bytes}});
  return list;
}

}  // namespace loadline
