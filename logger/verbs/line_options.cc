#include "logger/printed_columns.h"
#include "logger/verbs/verbs.h"

namespace loadline {

namespace po = boost::program_options;

void add_line_options(po::options_description& options) {
  options.add_options()(
      "port", po::value<std::string>()->value_name("PATH"),
      "serial device, pseudo-terminal, pipe, capture file, or - for standard input");
  options.add_options()("baud", po::value<double>()->value_name("N"),
                        "speed of a serial device (else the rig's in the book, else 115200)");
  static const std::string lines_help =
      "for a rig that prints numbers: what each column is, in order, separated by commas, of " +
      known_columns() + "; a factor may follow, as in grams*0.98";
  options.add_options()("lines", po::value<std::string>()->value_name("COLUMNS"),
                        lines_help.c_str());
  options.add_options()("separator", po::value<std::string>()->value_name("WORD"),
                        "between printed columns: comma, semicolon, tab or space");
}

RigLineOptions line_options(const Arguments& arguments) {
  RigLineOptions options;
  const auto port = arguments.text("port");
  if (!port)
    throw Error(Fault::kInput,
                "--port is missing: name the rig's device, a pipe or a capture file "
                "('loadline-logger ports' lists the devices).");
  options.port = *port;
  options.baud = arguments.number("baud");
  options.lines = arguments.text("lines");
  options.separator = arguments.text("separator");
  return options;
}

}  // namespace loadline
