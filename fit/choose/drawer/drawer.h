// The drawer: what the book holds that could drive one machine, what fits together of it, and why
// the rest does not.
//
// A plain value, read once; afterwards the book is not needed. Reads top-speed runs for what the
// belts waste.
#pragma once

#include <cstddef>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "db/book.h"
#include "fit/choose/drawer/belt_runs.h"
#include "fit/choose/drawer/diameters.h"
#include "fit/choose/drawer/drawer_motor.h"
#include "fit/curves/curve.h"

namespace loadline {

/// A motor pulley, a hand pulley and, in a book with belts, a belt that go together.
struct Mounting {
  std::size_t motor_pulley = 0, hand_pulley = 0;
  std::optional<std::size_t> belt;
  Diameters diameters;
};

/// One way to drive the machine, by places in the drawer's lists.
struct Candidate {
  std::size_t motor = 0, mounting = 0;
  std::optional<std::size_t> seen;  ///< the belt's runs that tell its slip and loss
};

/// A part, or parts together, that cannot be chosen.
struct LeftOut {
  std::vector<std::pair<std::string, std::string>> parts;  ///< ("motor", "Heron 70"), …
  std::string reason;
  bool unmeasured = false;  ///< only because nothing was recorded of it yet
};

struct Drawer {
  Part machine;
  std::shared_ptr<const Curve> machine_curve;
  std::size_t machine_runs = 1;
  RunKind machine_kind = RunKind::kCoastDown;
  std::vector<DrawerMotor> motors;
  std::vector<Part> pulleys, belts;
  std::vector<BeltRuns> seen;
  std::vector<Diameters> seen_diameters;  ///< of the pulleys of `seen`
  std::vector<Mounting> mountings;
  std::vector<Candidate> candidates;
  std::vector<LeftOut> left_out;
  std::vector<std::string> warnings;
  /// The machine's curve and a motor's at least say how other evenings differ.
  bool evenings() const;
  /// Something is left out that a recording would let in.
  bool unmeasured() const;
  bool belts_measured = false;  ///< every candidate's belt has runs; else none has
};

struct DrawerOptions {
  std::optional<double> supply_v;  ///< motors that cannot be moved to it are left out
  std::vector<double> centres_mm;  ///< least and greatest distance of motor and hand wheel; or none
  std::optional<double> diameter_sd_m;  ///< overrides that of all effective diameters
};

/// Error(kAnswerNo) when the machine's curve, or every motor's, does not describe its runs;
/// Error(kInput) when the machine has no curve.
Drawer read_drawer(const Book& book, const Part& machine, const DrawerOptions& options = {});

}  // namespace loadline
