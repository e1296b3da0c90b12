// Serial devices, through libserialport.
#include <fmt/format.h>
#include <libserialport.h>

#include <climits>
#include <cstdlib>
#include <cstring>

#include "db/basis/error.h"
#include "logger/line/file_descriptor.h"
#include "logger/line/port.h"
#include "logger/line/port_lock.h"

namespace loadline {
namespace {

using std::chrono::milliseconds;

std::string last_error() {
  char* text = sp_last_error_message();
  std::string copy = text ? text : "unknown reason";
  sp_free_error_message(text);
  return copy;
}

/// What libserialport says, in a sentence for the person at the bench.
[[noreturn]] void refuse(const std::string& path, const char* doing, sp_return result) {
  std::string why = "out of memory";
  if (result == SP_ERR_ARG) why = "this machine knows no such serial device";
  if (result == SP_ERR_FAIL) why = last_error();
  if (result == SP_ERR_SUPP) why = "the device does not support it";
  throw Error(Fault::kRig,
              fmt::format("port '{}': {} failed: {}; check the cable, your access rights and that "
                          "no other program holds it ('loadline-logger ports' lists devices).",
                          path, doing, why));
}

struct PortCloser {
  void operator()(sp_port* port) const {
    sp_close(port);
    sp_free_port(port);
  }
};

class SerialPort : public Port {
 public:
  SerialPort(std::string shown_path, std::string device, const PortOptions& options)
      : path_(std::move(shown_path)), device_(std::move(device)), options_(options) {
    lock_ = SerialLock(path_, real_name());
    const char* doing = "";
    if (const sp_return result = open_now(doing); result != SP_OK) refuse(path_, doing, result);
  }

  Got read(std::span<std::uint8_t> into, milliseconds patience) override {
    const auto ready = wake_.wait(fd_, patience);
    if (!ready.readable) return {Outcome::kQuiet};
    const int size = sp_nonblocking_read(port_.get(), into.data(), into.size());
    // Readable without a byte, or an error of the device: it is unplugged.
    if (size <= 0) return {Outcome::kHangUp};
    return {Outcome::kBytes, static_cast<std::size_t>(size)};
  }

  void write(std::span<const std::uint8_t> bytes) override {
    constexpr unsigned kPatienceMs = 1000;
    if (port_) sp_blocking_write(port_.get(), bytes.data(), bytes.size(), kPatienceMs);
  }

  bool two_way() const override { return true; }
  bool live() const override { return true; }

  bool reopen() override {
    port_.reset();
    lock_ = {};
    try {
      lock_ = SerialLock(path_, real_name());
    } catch (const Error&) {
      return false;  // not back yet, or another program was quicker
    }
    const char* doing = "";
    return open_now(doing) == SP_OK;
  }

  void wake() override { wake_.signal(); }
  const std::string& path() const override { return path_; }

 private:
  /// libserialport looks the device up by its kernel name, so links are followed here.
  std::string real_name() const {
    char real[PATH_MAX];
    return ::realpath(device_.c_str(), real) ? real : device_;
  }

  sp_return open_now(const char*& doing) {
    port_.reset();
    sp_port* found = nullptr;
    doing = "finding it";
    if (const sp_return result = sp_get_port_by_name(real_name().c_str(), &found); result != SP_OK)
      return result;
    port_.reset(found);
    doing = "opening it";
    if (const sp_return result = sp_open(found, SP_MODE_READ_WRITE); result != SP_OK) {
      sp_free_port(port_.release());  // not open, so it must not be closed
      return result;
    }
    doing = "setting its speed";
    sp_return result = sp_set_baudrate(found, options_.baud);
    if (result == SP_OK) result = sp_set_bits(found, 8);
    if (result == SP_OK) result = sp_set_parity(found, SP_PARITY_NONE);
    if (result == SP_OK) result = sp_set_stopbits(found, 1);
    if (result == SP_OK) result = sp_set_flowcontrol(found, SP_FLOWCONTROL_NONE);
    if (result == SP_OK) result = sp_get_port_handle(found, &fd_);
    if (result != SP_OK) port_.reset();
    return result;
  }

  std::string path_;
  std::string device_;
  PortOptions options_;
  SerialLock lock_;
  std::unique_ptr<sp_port, PortCloser> port_;
  int fd_ = -1;  // libserialport's own; never closed here
  WakeUp wake_;
};

SerialDevice described(const sp_port* port) {
  SerialDevice device;
  device.path = sp_get_port_name(port);
  const char* description = sp_get_port_description(port);
  if (description) device.description = description;
  const sp_transport transport = sp_get_port_transport(port);
  device.transport = transport == SP_TRANSPORT_USB         ? "USB"
                     : transport == SP_TRANSPORT_BLUETOOTH ? "Bluetooth"
                                                           : "built in";
  int vendor = 0;
  int product = 0;
  if (sp_get_port_usb_vid_pid(port, &vendor, &product) == SP_OK)
    device.usb = fmt::format("vendor {:04x} product {:04x}", vendor, product);
  return device;
}

}  // namespace

std::unique_ptr<Port> open_serial(const std::string& shown_path, const std::string& device,
                                  const PortOptions& options) {
  return std::make_unique<SerialPort>(shown_path, device, options);
}

std::vector<SerialDevice> serial_devices() {
  sp_port** list = nullptr;
  if (sp_list_ports(&list) != SP_OK) return {};
  std::vector<SerialDevice> devices;
  for (sp_port** port = list; *port; ++port) devices.push_back(described(*port));
  sp_free_port_list(list);
  return devices;
}

}  // namespace loadline
