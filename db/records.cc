#include "db/records.h"

#include <array>
#include <stdexcept>
#include <utility>

namespace loadline {
namespace {

constexpr std::array<std::pair<RunKind, const char*>, 7> kRunKinds = {{
    {RunKind::kNoLoad, "no-load"},
    {RunKind::kBrake, "brake"},
    {RunKind::kSpinUp, "spin-up"},
    {RunKind::kCoastDown, "coast-down"},
    {RunKind::kDriven, "driven"},
    {RunKind::kSlipCheck, "slip-check"},
    {RunKind::kTopSpeed, "top-speed"},
}};

}  // namespace

const char* run_kind_name(RunKind kind) {
  for (const auto& [known, name] : kRunKinds)
    if (known == kind) return name;
  throw std::logic_error("no such run kind");
}

std::optional<RunKind> run_kind_from_name(const std::string& name) {
  for (const auto& [kind, known] : kRunKinds)
    if (name == known) return kind;
  return std::nullopt;
}

const char* run_state_name(RunState state) {
  switch (state) {
    case RunState::kOpen:
      return "open";
    case RunState::kComplete:
      return "complete";
    case RunState::kInterrupted:
      return "interrupted";
  }
  throw std::logic_error("no such run state");
}

}  // namespace loadline
