#include "logger/listening.h"

#include <fmt/format.h>

#include <algorithm>

#include "db/basis/error.h"

namespace loadline {
namespace {

using std::chrono::milliseconds;

template <typename T>
void append(std::vector<T>& to, const std::vector<T>& from) {
  to.insert(to.end(), from.begin(), from.end());
}

}  // namespace

Listening::Listening(Clock& clock, RigLine& line, const IntakeOptions& options)
    : line_(line),
      mailbox_(1'000'000),
      intake_(clock, *line.port, *line.reader, mailbox_, options) {
  intake_.introduce();
  thread_ = std::thread([this] { intake_.run(); });
}

Listening::~Listening() {
  mailbox_.abandon();
  intake_.stop();
  thread_.join();
}

double Listening::tick_hz() const {
  const auto rig = intake_.identity();
  return rig ? rig->tick_hz : 1e6;
}

double Listening::reached_s(const Haul& haul) const {
  if (!haul.samples.empty()) return static_cast<double>(haul.samples.back().tick) / tick_hz();
  return haul.readings.empty() ? 0 : haul.readings.back().time_s;
}

Haul Listening::gather(double seconds, const std::function<bool()>& enough) {
  Batch batch;
  if (line_.port->live()) mailbox_.take(batch, milliseconds(0));  // what came before is not meant
  batch.clear();
  Haul all;
  std::optional<double> from_s;
  while (mailbox_.take(batch, milliseconds(100))) {
    const bool brought = !batch.haul.samples.empty() || !batch.haul.readings.empty();
    if (brought && !from_s)
      from_s = batch.haul.samples.empty()
                   ? batch.haul.readings.front().time_s
                   : static_cast<double>(batch.haul.samples.front().tick) / tick_hz();
    append(all.samples, batch.haul.samples);
    append(all.readings, batch.haul.readings);
    append(all.events, batch.haul.events);
    batch.clear();
    if (from_s && reached_s(all) - *from_s >= seconds) break;
    if (enough && enough()) break;
  }
  if (is_fault(intake_.end()) || (all.samples.empty() && all.readings.empty())) complain();
  const double last = from_s.value_or(0) + seconds;
  std::erase_if(all.samples, [&](const Sample& sample) {
    return static_cast<double>(sample.tick) / tick_hz() > last;
  });
  std::erase_if(all.readings,
                [&](const ImportedReading& reading) { return reading.time_s > last; });
  return all;
}

void Listening::complain() const {
  const std::string& path = line_.port->path();
  if (intake_.end() == LineEnd::kFailed) throw Error(Fault::kRig, intake_.failure());
  if (intake_.end() == LineEnd::kHungUp)
    throw Error(Fault::kRig, fmt::format("the rig at '{}' was unplugged.", path));
  const LineCounts counts = intake_.counts();
  throw Error(Fault::kRig,
              fmt::format("'{}' brings no samples ({} bytes, {} whole frames or lines); check the "
                          "rig's supply, the cable, --baud and --lines.",
                          path, counts.bytes, counts.whole));
}

}  // namespace loadline
