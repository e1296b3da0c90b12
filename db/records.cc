#include "db/records.h"

#include <stdexcept>

namespace loadline {

const char* run_kind_name(RunKind kind) {
  switch (kind) {
    case RunKind::kNoLoad:
      return "no-load";
    case RunKind::kBrake:
      return "brake";
    case RunKind::kSpinUp:
      return "spin-up";
    case RunKind::kCoastDown:
      return "coast-down";
    case RunKind::kDriven:
      return "driven";
    case RunKind::kSlipCheck:
      return "slip-check";
    case RunKind::kTopSpeed:
      return "top-speed";
  }
  throw std::logic_error("no such run kind");
}

std::optional<RunKind> run_kind_from_name(const std::string& name) {
  for (const RunKind kind : kRunKinds)
    if (name == run_kind_name(kind)) return kind;
  return std::nullopt;
}

const char* tachometer_name(Tachometer tachometer) {
  switch (tachometer) {
    case Tachometer::kReciprocal:
      return "reciprocal";
    case Tachometer::kPeriod:
      return "period";
    case Tachometer::kGate:
      return "gate";
    case Tachometer::kAnalogue:
      return "analogue";
    case Tachometer::kDisplay:
      return "display";
  }
  throw std::logic_error("no such tachometer");
}

std::optional<Tachometer> tachometer_from_name(const std::string& name) {
  for (const Tachometer tachometer : kTachometers)
    if (name == tachometer_name(tachometer)) return tachometer;
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
