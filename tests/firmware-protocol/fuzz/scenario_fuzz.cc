// Any text as a scenario: it is read, or refused in a sentence; nothing else.
#include <cstdint>
#include <string>

#include "firmware-protocol/simrig/scenario.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  try {
    loadline::simrig::parse_scenario(std::string(reinterpret_cast<const char*>(data), size));
  } catch (const loadline::simrig::ScenarioError&) {
  }
  return 0;
}
