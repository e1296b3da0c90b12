// What runs from a sound input bear as `firmware`: their clock is a sound card's, as it is or
// checked against another.
#pragma once

namespace loadline {

inline constexpr const char* kSoundInput = "sound input";
inline constexpr const char* kCheckedSoundInput = "sound input, clock checked";

}  // namespace loadline
