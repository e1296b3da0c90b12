#include "tests/support/tests_folder.h"

namespace loadline {

const std::string& tests_folder() {
  static const std::string folder = LOADLINE_TESTS_FOLDER;
  return folder;
}

}  // namespace loadline
