// A book in a folder of its own that goes when the test ends.
#pragma once

#include <filesystem>
#include <random>
#include <string>

#include "db/book.h"

namespace loadline {

class BenchFolder {
 public:
  BenchFolder() {
    std::random_device dice;
    path_ = std::filesystem::temp_directory_path() /
            ("loadline-test-" + std::to_string(dice()) + std::to_string(dice()));
    std::filesystem::create_directories(path_);
  }
  ~BenchFolder() { std::filesystem::remove_all(path_); }
  BenchFolder(const BenchFolder&) = delete;
  BenchFolder& operator=(const BenchFolder&) = delete;
  std::string file(const std::string& name) const { return (path_ / name).string(); }

 private:
  std::filesystem::path path_;
};

/// One rig "bench" with an arm of 0.1 m, calibrated to 1e-4 N per count from zero 1000, and one
/// motor "grey".
inline Book bench_book(const BenchFolder& folder) {
  Book book = Book::open(folder.file("test.book"), Book::Mode::kCreate);
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
