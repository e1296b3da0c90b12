// Files that a program writes for a person: pages, tables, pictures, captures.
//
// What is written stands beside its place ("NAME.part") until it is whole, so that a full disk or a
// failure leaves the file alone that was there. A file that is there is replaced, with one
// exception: a book never is, whatever name was given by mistake. A device, a pipe or a link is
// written through.
#pragma once

#include <filesystem>
#include <fstream>
#include <string_view>

namespace loadline {

/// One file in the making; one thread. Without keep() nothing is left of it.
class NewFile {
 public:
  /// Error(kInput) when it cannot be made there, or `path` is an SQLite file.
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
