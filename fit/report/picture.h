// A photograph for the page: the motor on its bench, the machine before and after.
#pragma once

#include <string>

namespace loadline {

struct Picture {
  std::string words;     ///< what it shows; below it, and for those who cannot see it
  std::string data_uri;  ///< all of it, so that the page needs no other file
};

/// Of "WORDS=FILE", or "FILE" (then its name is the words): a JPEG or PNG of at most 8 MB.
/// Error(kInput) for anything else.
Picture read_picture(const std::string& words_and_file);

}  // namespace loadline
