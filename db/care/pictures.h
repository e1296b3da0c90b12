// Pictures of parts and runs: a copy of the file in the book, so that it goes where the book goes.
//
// Each is a document named "picture/UUID/HASH", with the UUID of the part or run that it shows and
// the start of the SHA-256 of its bytes: the same picture twice is one, here and in every book that
// this one is merged into. PNG and JPEG only, told by their first bytes and not by their name.
// Error(kInput) for what cannot be taken, Error(kBook) for the book. Threads: as the book's.
#pragma once

#include <cstddef>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "db/book.h"

namespace loadline {

inline constexpr std::size_t kLargestPicture = std::size_t{2} << 20U;  ///< bytes

struct Picture {
  std::string name;    ///< of the file
  std::string base64;  ///< its bytes (RFC 4648), whole
  std::size_t bytes = 0;
  std::string type;  ///< "image/png" or "image/jpeg", as its bytes say
};

Picture read_picture(const std::string& path);

/// `uuid`: of a part or run of the book.
void add_picture(Book& book, const std::string& uuid, const Picture& picture);

/// In the order of their hashes. Damaged ones are left out; `check` names them.
std::vector<Picture> pictures_of(const Book& book, const std::string& uuid);
/// Those of parts that were joined into it as well.
std::vector<Picture> pictures_of(const Book& book, const Part& part);

/// How a document with a picture begins: "picture/".
extern const char* const kPictureDocuments;
/// The UUID in such a document's name; empty where it has none.
std::string subject_of_picture(const std::string& document);
/// The picture in a document. Error(kInput) that says what is wrong with it.
Picture picture_in(const std::string& document, const std::string& json);

/// name, type and bytes of each.
Json pictures_json(const std::vector<Picture>& pictures);

}  // namespace loadline
