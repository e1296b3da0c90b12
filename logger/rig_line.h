// A port together with the reader that understands what comes out of it.
#pragma once

#include <memory>
#include <optional>
#include <string>

#include "db/parts.h"
#include "logger/line/line_reader.h"
#include "logger/line/port.h"
#include "logger/sound/sound_reader.h"

namespace loadline {

struct RigLine {
  std::unique_ptr<Port> port;
  std::unique_ptr<LineReader> reader;
};

struct RigLineOptions {
  std::string port;
  std::optional<double> baud;            ///< else the rig's in the book, else the usual 115,200
  std::optional<std::string> lines;      ///< description of printed columns; else the rig's
  std::optional<std::string> separator;  ///< else the rig's, else comma
  std::optional<SoundOptions> sound;     ///< no rig: a sensor on a sound input
};

/// Opens the port and chooses the reader: a rig with described columns prints lines, any other
/// speaks the wire. `rig` may be null (then nothing comes from the book).
RigLine open_rig_line(const RigLineOptions& options, const Part* rig);

}  // namespace loadline
