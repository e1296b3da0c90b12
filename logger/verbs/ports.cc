// ports: the serial devices of this machine.
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <iostream>

#include "logger/verbs/verbs.h"

namespace loadline {
namespace {

int ports(const Arguments& arguments) {
  const std::vector<SerialDevice> devices = serial_devices();
  if (arguments.json()) {
    Json list = Json::array();
    for (const SerialDevice& device : devices)
      list.push_back({{"path", device.path},
                      {"description", device.description},
                      {"transport", device.transport},
                      {"usb", device.usb}});
    print_json({{"ports", list}});
    return 0;
  }
  if (devices.empty())
    std::cout << "This machine shows no serial device. Plug the rig in and look again; a pipe, a "
                 "pseudo-terminal or a capture file needs no entry here.\n";
  for (const SerialDevice& device : devices)
    std::cout << fmt::format("{:<20} {:<10} {} {}\n", device.path, device.transport,
                             device.description, device.usb);
  return 0;
}

}  // namespace

Verb ports_verb() {
  Verb verb;
  verb.name = "ports";
  verb.words = "";
  verb.summary = "list the serial devices of this machine";
  verb.example = "loadline-logger ports";
  verb.most_names = 0;
  add_common_options(verb.options, true);
  verb.run = ports;
  return verb;
}

}  // namespace loadline
