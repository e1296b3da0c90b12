// A whole run of the simulated bench: for the program, for tests, for studies of coverage.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "firmware-protocol/simrig/bench.h"
#include "firmware-protocol/simrig/board.h"
#include "firmware-protocol/simrig/line_faults.h"
#include "firmware-protocol/simrig/played_rig.h"
#include "firmware-protocol/simrig/truth.h"

namespace loadline::simrig {

/// Bench, board and line together, moved on one conversion at a time. One thread.
class Player : public PlayedRig {
 public:
  /// `sequence`: see Board.
  Player(const Scenario& scenario, std::uint64_t seed, std::optional<std::uint8_t> sequence = {});

  void receive(const std::uint8_t* bytes, std::size_t size) override;
  /// A start command after the end plays on for run.tail_s more, with the bench at rest.
  bool advance() override;
  Bytes arrived() override;
  bool streaming() const override { return board_.streaming(); }
  bool over() const override { return over_; }
  bool switched() const override { return bench_.switched(); }
  double time_s() const override { return bench_.time_s(); }
  double run_time_s() const override;
  const Scenario& scenario() const override { return scenario_; }

  const Bench& bench() const { return bench_; }
  std::uint8_t sequence() const { return board_.sequence(); }

 private:
  void carry();
  bool within(double at_s, double for_s) const;

  Scenario scenario_;
  Bench bench_;
  Board board_;
  LineFaults line_;
  Moment moment_;
  Bytes arrived_;
  double first_start_s_ = -1.0;
  bool reset_done_ = false, over_ = false;
};

/// A run as a study wants it: what the rig sent, and the truth.
struct Recording {
  WireIdentity identity{};
  std::vector<WireSample> samples;  ///< all that were made, faults of the line left out
  std::vector<TrueState> truth;     ///< at each sample
  std::vector<double> motor_edges;  ///< times of all edges, s
  std::vector<double> handwheel_edges;
  Energy energy;
  double motor_side_inertia = 0.0;  ///< rotor and what sits on its shaft, kg·m²
  double handwheel_side_inertia = 0.0;
  /// Mean while switched on; of a spin-up when its power was greatest.
  double winding_c = 0.0;
  double supply_v = 0.0;  ///< mean while switched on
};
Recording record(const Scenario& scenario, std::uint64_t seed);

/// The bytes of a run as a host would see them that asks who is there, starts, restarts after a
/// reset, and reads on to the end.
Bytes capture(const Scenario& scenario, std::uint64_t seed);

/// The run as readings in the columns that the book imports: time_s, motor_rpm, handwheel_rpm,
/// torque_nm, supply_v, temperature_c. Speed by counting from edge to edge; torque by the true
/// slope and the zero at the start, with the converter's delay left in.
std::string csv(const Recording& recording, const Scenario& scenario);

/// Everything that is true about the scenario and the run, as a JSON document.
std::string truth_json(const Recording& recording, const Scenario& scenario, std::uint64_t seed);

}  // namespace loadline::simrig
