#include "logger/sound/sound_library.h"

#include <dlfcn.h>

#include "db/basis/error.h"

namespace loadline {
namespace {

template <typename Function>
void find(void* library, const char* name, Function& function) {
  function = library ? reinterpret_cast<Function>(::dlsym(library, name)) : nullptr;
  if (!function)
    throw Error(Fault::kInput,
                "sound is read by the library libsndfile, which is not here; install it (Debian: "
                "apt install libsndfile1).");
}

SoundLibrary load() {
  void* const library = ::dlopen("libsndfile.so.1", RTLD_NOW | RTLD_LOCAL);
  SoundLibrary functions = {};
  find(library, "sf_open", functions.open);
  find(library, "sf_close", functions.close);
  find(library, "sf_strerror", functions.strerror);
  find(library, "sf_readf_float", functions.readf_float);
  return functions;
}

}  // namespace

const SoundLibrary& sound_library() {
  static const SoundLibrary functions = load();
  return functions;
}

}  // namespace loadline
