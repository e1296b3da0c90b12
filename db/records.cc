#include "db/records.h"

#include <array>
#include <stdexcept>

namespace loadline {
namespace {

// The value that bears the name, if one of these does.
template <typename Values, typename NameOf>
std::optional<typename Values::value_type> from_name(const Values& values, NameOf name_of,
                                                     const std::string& name) {
  for (const auto value : values)
    if (name == name_of(value)) return value;
  return std::nullopt;
}

}  // namespace

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
  return from_name(kRunKinds, run_kind_name, name);
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
  return from_name(kTachometers, tachometer_name, name);
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

const char* run_source_name(RunSource source) {
  switch (source) {
    case RunSource::kRig:
      return "rig";
    case RunSource::kFile:
      return "csv";
  }
  throw std::logic_error("no such source of a run");
}

std::optional<RunSource> run_source_from_name(const std::string& name) {
  return from_name(std::array{RunSource::kRig, RunSource::kFile}, run_source_name, name);
}

const char* event_kind_name(EventKind kind) {
  switch (kind) {
    case EventKind::kGap:
      return "gap";
    case EventKind::kReset:
      return "reset";
    case EventKind::kOverrun:
      return "overrun";
    case EventKind::kBrownOut:
      return "brown-out";
    case EventKind::kHangUp:
      return "hang-up";
    case EventKind::kResumed:
      return "resumed";
    case EventKind::kInterrupted:
      return "interrupted";
    case EventKind::kMarker:
      return "marker";
  }
  throw std::logic_error("no such kind of event");
}

std::optional<EventKind> event_kind_from_name(const std::string& name) {
  return from_name(kEventKinds, event_kind_name, name);
}

const char* zero_moment_name(ZeroMoment moment) {
  switch (moment) {
    case ZeroMoment::kBefore:
      return "before";
    case ZeroMoment::kAfter:
      return "after";
    case ZeroMoment::kAlone:
      return "alone";
  }
  throw std::logic_error("no such moment of a zero");
}

std::optional<ZeroMoment> zero_moment_from_name(const std::string& name) {
  return from_name(std::array{ZeroMoment::kBefore, ZeroMoment::kAfter, ZeroMoment::kAlone},
                   zero_moment_name, name);
}

}  // namespace loadline
