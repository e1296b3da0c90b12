#include "logger/rig_line.h"

#include "db/basis/units.h"
#include "logger/line/frame_reader.h"
#include "logger/line/printed_line_reader.h"

namespace loadline {
namespace {

std::optional<std::string> text_of(const Part* rig, const char* field) {
  return rig ? rig->text(field) : std::nullopt;
}

std::optional<double> number_of(const Part* rig, const char* field) {
  return rig ? rig->number(field) : std::nullopt;
}

}  // namespace

RigLine open_rig_line(const RigLineOptions& options, const Part* rig) {
  if (options.sound) {
    const bool two = options.sound->other_pulses > 0;
    auto port = std::make_unique<SoundPort>(
        options.port, two ? SoundPort::Channel::kBoth : options.sound->channel,
        options.sound->raw_hz);
    auto reader = std::make_unique<SoundReader>(*port, *options.sound);
    return {std::move(port), std::move(reader)};
  }
  const auto lines = options.lines ? options.lines : text_of(rig, "lines-columns");
  std::optional<PrintedLine> description;
  if (lines) {
    const auto stored = text_of(rig, "lines-separator");
    description = read_description(*lines, options.separator.value_or(stored.value_or("comma")));
  }
  PortOptions port_options;
  const auto baud = options.baud ? options.baud : number_of(rig, "baud");
  if (baud) port_options.baud = static_cast<int>(*baud);
  RigLine line;
  line.port = open_port(options.port, port_options);
  if (!description) {
    line.reader = std::make_unique<FrameReader>();
    return line;
  }
  std::optional<double> arm_m;
  if (const auto arm_mm = number_of(rig, "arm-mm")) arm_m = m_from_mm(*arm_mm);
  line.reader = std::make_unique<PrintedLineReader>(*description, arm_m, !line.port->live());
  return line;
}

}  // namespace loadline
