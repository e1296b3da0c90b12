#include "logger/line/printed_columns.h"
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
  options.add_options()("separator",
                        po::value<std::string>()->value_name("comma|semicolon|tab|space"),
                        "between printed columns");
}

double seconds_for(const Arguments& arguments, double usual) {
  const double seconds = arguments.number("for").value_or(usual);
  if (!(seconds > 0)) throw Error(Fault::kInput, "--for must be above 0 seconds.");
  return seconds;
}

int page_port(const Arguments& arguments, int usual) {
  constexpr long long kHighest = 65535;
  const long long port = arguments.whole("page-port").value_or(usual);
  if (port < 0 || port > kHighest)
    throw Error(Fault::kInput,
                "--page-port must be from 1 to 65535, or 0 for any port that is free.");
  return static_cast<int>(port);
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
