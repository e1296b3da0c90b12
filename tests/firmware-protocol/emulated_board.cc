#include "emulated_board.h"

#include <algorithm>
#include <cmath>
#include <cstdarg>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <deque>
#include <functional>
#include <map>
#include <stdexcept>

#include "firmware-protocol/frame.h"

// A C library whose headers carry their own guards for C++.
extern "C" {
#include <simavr/avr_adc.h>
#include <simavr/avr_ioport.h>
#include <simavr/avr_uart.h>
#include <simavr/sim_avr.h>
#include <simavr/sim_elf.h>
#include <simavr/sim_io.h>
#include <simavr/sim_time.h>
}

namespace loadline::simrig {
namespace {

constexpr double kHz = 16e6;
constexpr int kWheelPin = 2, kDataPin = 4, kClockPin = 5, kRatePin = 6;  // port D
constexpr int kMotorPin = 0;                                             // port B
/// A slot passes the sensor in less than this even at full speed.
constexpr double kPulse_s = 20e-6;

void no_sleep(avr_t*, avr_cycle_count_t) {}

void quiet_log(avr_t*, const int level, const char* format, std::va_list arguments) {
  if (level <= LOG_ERROR) std::vfprintf(stderr, format, arguments);
}

}  // namespace

struct EmulatedBoard::Machine {
  avr_t* avr = nullptr;
  elf_firmware_t firmware{};
  avr_irq_t* line_in = nullptr;
  struct Levels {
    unsigned driven = 0, high = 0;  ///< a bit for each pin
  } levels_b, levels_d;
  std::multimap<avr_cycle_count_t, std::function<void()>> events;
  std::vector<std::uint8_t> sent;
  std::deque<std::uint8_t> to_send;
  bool line_open = true, armed = false;
  std::uint16_t kept_instruction = 0;
  avr_flashaddr_t hung_at = 0;

  // The converter.
  bool shorted = false, waiting = false, clock_high = false;
  std::uint32_t bits = 0;
  int clocks = 0, unread = 0, broken = 0;
  avr_cycle_count_t clock_rose = 0, longest_clock = 0;

  /// Sets an input. The emulator would otherwise let a pull-up win at every write to the port.
  void level(char port, int number, bool high) {
    Levels& levels = port == 'B' ? levels_b : levels_d;
    levels.driven |= 1u << number;
    levels.high = high ? levels.high | (1u << number) : levels.high & ~(1u << number);
    avr_ioport_external_t outside{};
    outside.name = static_cast<unsigned char>(port) & 0x7Fu;
    outside.mask = levels.driven & 0xFFu;
    outside.value = levels.high & 0xFFu;
    avr_ioctl(avr, AVR_IOCTL_IOPORT_SET_EXTERNAL(port), &outside);
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_IOPORT_GETIRQ(port), number), high ? 1 : 0);
  }

  void data(bool high) { level('D', kDataPin, high && !shorted); }

  void convert(std::int32_t counts) {
    if (waiting) ++unread;
    waiting = true;
    bits = static_cast<std::uint32_t>(counts) & 0xFFFFFFu;
    clocks = 0;
    data(true);  // the data line pulses high when a conversion replaces another
    data(false);
  }

  void clock(bool high) {
    if (high == clock_high) return;
    clock_high = high;
    if (!high) {
      longest_clock = std::max(longest_clock, avr->cycle - clock_rose);
      return;
    }
    clock_rose = avr->cycle;
    ++clocks;
    if (clocks <= 24) {
      data((bits >> (24 - clocks)) & 1u);
    } else {
      if (clocks > 25 || !waiting) ++broken;
      waiting = false;
      data(true);
    }
  }

  static avr_cycle_count_t next_event(avr_t* avr, avr_cycle_count_t, void* self) {
    auto& m = *static_cast<Machine*>(self);
    while (!m.events.empty() && m.events.begin()->first <= avr->cycle) {
      const auto happen = std::move(m.events.begin()->second);
      m.events.erase(m.events.begin());
      happen();
    }
    m.armed = !m.events.empty();
    return m.armed ? m.events.begin()->first : 0;
  }

  void feed_line() {
    while (line_open && !to_send.empty()) {
      const std::uint8_t byte = to_send.front();
      to_send.pop_front();
      avr_raise_irq(line_in, byte);
    }
  }

  void run_until(avr_cycle_count_t end) {
    armed = false;  // an earlier event may have been added, a reset may have taken the timer away
    while (avr->cycle < end) {
      feed_line();
      if (!events.empty() && !armed) {
        armed = true;
        const avr_cycle_count_t at = events.begin()->first;
        avr_cycle_timer_register(avr, at > avr->cycle ? at - avr->cycle : 1, next_event, this);
      }
      const int state = avr_run(avr);
      if (state == cpu_Crashed || state == cpu_Done)
        throw std::runtime_error("the emulated microcontroller has crashed");
    }
  }

  void at(double time_s, std::function<void()> what) {
    events.emplace(static_cast<avr_cycle_count_t>(std::llround(time_s * kHz)), std::move(what));
  }

  void pulse(double time_s, char port, int number) {
    at(time_s, [=, this] { level(port, number, true); });
    at(time_s + kPulse_s, [=, this] { level(port, number, false); });
  }

  void millivolts(double time_s, int channel, double value) {
    const auto rounded = static_cast<std::uint32_t>(std::llround(value));
    at(time_s, [=, this] {
      avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_ADC_GETIRQ, ADC_IRQ_ADC0 + channel), rounded);
    });
  }
};

EmulatedBoard::EmulatedBoard(const std::string& image, int converter_hz)
    : machine_(std::make_unique<Machine>()) {
  Machine& m = *machine_;
  avr_global_logger_set(quiet_log);
  if (elf_read_firmware(image.c_str(), &m.firmware) != 0)
    throw std::runtime_error(image + " cannot be read");
  m.avr = avr_make_mcu_by_name("atmega328p");
  avr_init(m.avr);
  m.avr->sleep = no_sleep;
  m.avr->log = LOG_ERROR;
  m.firmware.frequency = static_cast<std::uint32_t>(kHz);
  m.firmware.vcc = m.firmware.avcc = m.firmware.aref = 5000;
  avr_load_firmware(m.avr, &m.firmware);

  std::uint32_t flags = 0;
  avr_ioctl(m.avr, AVR_IOCTL_UART_SET_FLAGS('0'), &flags);
  const auto pin = [&](char port, int number) {
    return avr_io_getirq(m.avr, AVR_IOCTL_IOPORT_GETIRQ(port), number);
  };
  m.line_in = avr_io_getirq(m.avr, AVR_IOCTL_UART_GETIRQ('0'), UART_IRQ_INPUT);
  m.level('D', kRatePin, converter_hz == 80);
  m.level('D', kWheelPin, false);
  m.level('B', kMotorPin, false);
  m.data(true);

  avr_irq_register_notify(
      pin('D', kClockPin),
      [](avr_irq_t*, std::uint32_t value, void* self) {
        static_cast<Machine*>(self)->clock(value != 0);
      },
      &m);
  const auto line = [&](int what) {
    return avr_io_getirq(m.avr, AVR_IOCTL_UART_GETIRQ('0'), what);
  };
  avr_irq_register_notify(
      line(UART_IRQ_OUTPUT),
      [](avr_irq_t*, std::uint32_t value, void* self) {
        static_cast<Machine*>(self)->sent.push_back(static_cast<std::uint8_t>(value));
      },
      &m);
  avr_irq_register_notify(
      line(UART_IRQ_OUT_XON),
      [](avr_irq_t*, std::uint32_t, void* self) { static_cast<Machine*>(self)->line_open = true; },
      &m);
  avr_irq_register_notify(
      line(UART_IRQ_OUT_XOFF),
      [](avr_irq_t*, std::uint32_t, void* self) { static_cast<Machine*>(self)->line_open = false; },
      &m);
}

EmulatedBoard::~EmulatedBoard() {
  avr_terminate(machine_->avr);
  std::free(machine_->avr);
  const elf_firmware_t& firmware = machine_->firmware;
  for (std::uint32_t n = 0; n < firmware.symbolcount; ++n) std::free(firmware.symbol[n]);
  std::free(firmware.symbol);
  std::free(firmware.flash);
  std::free(firmware.eeprom);
  std::free(firmware.fuse);
  std::free(firmware.lockbits);
}

void EmulatedBoard::motor_edge(double at_s) { machine_->pulse(at_s, 'B', kMotorPin); }
void EmulatedBoard::handwheel_edge(double at_s) { machine_->pulse(at_s, 'D', kWheelPin); }

void EmulatedBoard::conversion(double at_s, std::int32_t counts) {
  Machine* m = machine_.get();
  m->at(at_s, [m, counts] { m->convert(counts); });
}

void EmulatedBoard::supply_millivolts(double at_s, double millivolts) {
  machine_->millivolts(at_s, 0, millivolts);
}

void EmulatedBoard::temperature_millivolts(double at_s, double millivolts) {
  machine_->millivolts(at_s, 1, millivolts);
}

void EmulatedBoard::short_data_line(bool shorted) {
  machine_->shorted = shorted;
  machine_->data(true);
}

void EmulatedBoard::send(const std::vector<std::uint8_t>& bytes) {
  machine_->to_send.insert(machine_->to_send.end(), bytes.begin(), bytes.end());
}

void EmulatedBoard::send_command(std::uint8_t type) {
  std::vector<std::uint8_t> frame(kWireMaxFrame);
  frame.resize(wire_frame_encode(type, 0, nullptr, 0, frame.data(), frame.size()));
  send(frame);
}

void EmulatedBoard::run_until(double time_s) {
  machine_->run_until(static_cast<avr_cycle_count_t>(std::llround(time_s * kHz)));
}

double EmulatedBoard::time_s() const { return static_cast<double>(machine_->avr->cycle) / kHz; }

std::vector<std::uint8_t> EmulatedBoard::output() {
  std::vector<std::uint8_t> out;
  out.swap(machine_->sent);
  return out;
}

void EmulatedBoard::reset() { avr_reset(machine_->avr); }

void EmulatedBoard::hang() {
  Machine& m = *machine_;
  m.hung_at = m.avr->pc;
  std::memcpy(&m.kept_instruction, m.avr->flash + m.hung_at, 2);
  const std::uint16_t jump_here = 0xCFFF;
  std::memcpy(m.avr->flash + m.hung_at, &jump_here, 2);
}

void EmulatedBoard::unhang() {
  std::memcpy(machine_->avr->flash + machine_->hung_at, &machine_->kept_instruction, 2);
}

bool EmulatedBoard::poke(const std::string& name, std::uint64_t value, int size) {
  constexpr std::uint32_t kDataSpace = 0x800000;
  for (std::uint32_t n = 0; n < machine_->firmware.symbolcount; ++n) {
    const avr_symbol_t* symbol = machine_->firmware.symbol[n];
    if (name != symbol->symbol || symbol->addr < kDataSpace) continue;
    for (int byte = 0; byte < size; ++byte)
      machine_->avr->data[symbol->addr - kDataSpace + byte] =
          static_cast<std::uint8_t>(value >> (8 * byte));
    return true;
  }
  return false;
}

int EmulatedBoard::unread_conversions() const { return machine_->unread; }
double EmulatedBoard::longest_clock_s() const {
  return static_cast<double>(machine_->longest_clock) / kHz;
}
int EmulatedBoard::broken_readings() const { return machine_->broken; }

BenchOnBoard::BenchOnBoard(EmulatedBoard& board, const Scenario& scenario, std::uint64_t seed)
    : board_(board), scenario_(scenario), bench_(scenario, seed) {}

bool BenchOnBoard::advance() {
  if (!bench_.next(moment_)) return false;
  if (!motor_tach_off)
    for (const double t : moment_.motor_edges) board_.motor_edge(t);
  if (!handwheel_tach_off)
    for (const double t : moment_.handwheel_edges) board_.handwheel_edge(t);
  if (!converter_silent) board_.conversion(moment_.time_s, moment_.torque_counts);
  const double volts = moment_.supply_counts * scenario_.supply.volts_per_count;
  board_.supply_millivolts(moment_.time_s, std::max(0.0, volts * kSupplyMillivoltsPerVolt));
  const double celsius = kTemperatureOffset + kTemperaturePerCount * moment_.temperature_counts;
  board_.temperature_millivolts(moment_.time_s, std::max(0.0, celsius * 10.0));
  board_.run_until(moment_.time_s);
  return true;
}

}  // namespace loadline::simrig
