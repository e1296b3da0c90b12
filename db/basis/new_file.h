// Files that a program writes for a person: pages, tables, pictures, captures.
//
// What is written stands beside its place ("NAME.part") until it is whole, so that a full disk or a
// failure leaves the file alone that was there. A file that is there is replaced, with one
// exception: a book never is, nor the files that SQLite keeps beside it, whatever name, link or
// spelling was given by mistake. A device, a pipe or a link is
// written through.
#pragma once

#include <filesystem>
#include <fstream>
#include <string_view>

namespace loadline {

/// Error(kInput) when a file written to `path` would take the place of a book or of what belongs to
/// one.
void refuse_book(const std::filesystem::path& path);
/// Of these only what belongs to one: for those who may open a book.
void refuse_beside_a_book(const std::filesystem::path& path);

/// One file in the making; one thread. Without keep() nothing is left of it.
class NewFile {
 public:
  /// Error(kInput) when it cannot be made there, or refuse_book() does.
  explicit NewFile(std::filesystem::path path);
  ~NewFile();
  NewFile(const NewFile&) = delete;
  NewFile& operator=(const NewFile&) = delete;

  std::ostream& stream() { return stream_; }
  /// Puts it in its place. Error(kInput) when it could not be written in full.
  void keep();

 private:
  std::filesystem::path path_, written_;  ///< the same where it is written through
  std::ofstream stream_;
};

/// All of it at once.
void write_file(const std::filesystem::path& path, std::string_view content);

}  // namespace loadline
