// A book with the bench that the tests of the logger record on.
#pragma once

#include <string>

#include "db/book.h"
#include "tests/support/scratch.h"

namespace loadline {

/// One rig "bench" with an arm of 0.1 m, calibrated to 1e-4 N per count from zero 1000, and one
/// motor "grey".
inline Book bench_book(const testing::Scratch& folder) {
  Book book = Book::open(folder.path("test.book"), Book::Mode::kCreate);
  Part rig;
  rig.kind = PartKind::kRig;
  rig.name = "bench";
  rig.fields["arm-mm"] = 100.0;
  const std::int64_t rig_id = book.add(rig);
  Part motor;
  motor.kind = PartKind::kMotor;
  motor.name = "grey";
  book.add(motor);
  Calibration calibration;
  calibration.rig = rig_id;
  calibration.slope_n_per_count = 1e-4;
  calibration.zero_counts = 1000;
  calibration.arm_m = 0.1;
  calibration.degrees_of_freedom = 10;
  book.add_calibration(calibration);
  return book;
}

}  // namespace loadline
