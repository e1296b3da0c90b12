// The real firmware image on an emulated microcontroller (libsimavr), its pins worked from outside:
// load-cell converter, tachometers, analogue channels, serial line.
#pragma once

#include <cstdint>
#include <memory>
#include <string>
#include <vector>

#include "firmware-protocol/simrig/bench.h"

namespace loadline::simrig {

class EmulatedBoard {
 public:
  /// Loads the image and runs from power-on. `converter_hz` sets the rate pin: 10 or 80.
  EmulatedBoard(const std::string& image, int converter_hz);
  ~EmulatedBoard();
  EmulatedBoard(const EmulatedBoard&) = delete;
  EmulatedBoard& operator=(const EmulatedBoard&) = delete;

  // What happens at the pins, at board times in seconds that must lie ahead.
  void motor_edge(double at_s);
  void handwheel_edge(double at_s);
  void conversion(double at_s, std::int32_t counts);
  void supply_millivolts(double at_s, double millivolts);
  void temperature_millivolts(double at_s, double millivolts);
  /// The converter's data line tied to ground (or let go again).
  void short_data_line(bool shorted);

  /// Bytes from the host; they arrive at the line's pace.
  void send(const std::vector<std::uint8_t>& bytes);
  void send_command(std::uint8_t type);
  void run_until(double time_s);
  double time_s() const;
  /// What the board has sent since the last call.
  std::vector<std::uint8_t> output();

  /// The reset button.
  void reset();
  /// Overwrites the instruction at which the processor stands by a jump to itself.
  void hang();
  void unhang();
  /// Writes into a variable of the firmware, by its name; false when the image has none.
  bool poke(const std::string& name, std::uint64_t value, int size);

  // What a real converter would have taken amiss.
  int unread_conversions() const;  ///< overwritten before they were read
  double longest_clock_s() const;  ///< longest time that its clock was high
  int broken_readings() const;     ///< clocks that were not 25

 private:
  struct Machine;
  std::unique_ptr<Machine> machine_;
};

/// Lets a simulated bench work the pins. Bench time is board time.
class BenchOnBoard {
 public:
  BenchOnBoard(EmulatedBoard& board, const Scenario& scenario, std::uint64_t seed);
  /// Advances both by one conversion of the bench; false when the bench has nothing more to play.
  bool advance();
  /// Tells the bench that a start command was sent.
  void start_command() { bench_.start_command(); }
  const Bench& bench() const { return bench_; }
  const Moment& moment() const { return moment_; }

  // Faults at the pins.
  bool converter_silent = false, motor_tach_off = false, handwheel_tach_off = false;

 private:
  EmulatedBoard& board_;
  Scenario scenario_;
  Bench bench_;
  Moment moment_;
};

/// Volts at the supply sensor's input that the firmware's scale stands for: 400 V at 5 V.
inline constexpr double kSupplyMillivoltsPerVolt = 5000.0 / 400.0;

}  // namespace loadline::simrig
