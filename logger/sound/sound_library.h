// libsndfile, loaded with the first take: of the time in which the program starts a quarter went
// into it and its decoders, which no other run needs.
#pragma once

#include <sndfile.h>

namespace loadline {

/// The functions of libsndfile that are used here, by its own names without `sf_`.
struct SoundLibrary {
  decltype(&sf_open) open;
  decltype(&sf_close) close;
  decltype(&sf_strerror) strerror;
  decltype(&sf_readf_float) readf_float;
};

/// From any thread; stays loaded. Error(kInput) where this computer has no such library.
const SoundLibrary& sound_library();

}  // namespace loadline
