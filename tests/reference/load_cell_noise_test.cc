// A real load cell at rest: does the noise remember as long as we say?
//
// Data: BAKER.DAT, "Load cell force calibration", early 1970s, 500 readings in order; National
// Institute of Standards and Technology, data library of Dataplot (usnistgov/dataplot, lib/data;
// public domain). Only the values are kept. The last 200 come after the cell has settled.
#include <doctest/doctest.h>

#include <cmath>
#include <fstream>
#include <numeric>
#include <vector>

#include "fit/readings/noise/noise.h"
#include "tests/support/tests_folder.h"

namespace {

std::vector<double> readings() {
  std::ifstream file(loadline::tests_folder() + "/reference/nist/load_cell/BAKER.DAT");
  std::vector<double> all;
  for (double value = 0; file >> value;) all.push_back(value);
  REQUIRE(all.size() == 500);
  return {all.end() - 200, all.end()};
}

double mean(const double* first, std::size_t count) {
  return std::accumulate(first, first + count, 0.0) / static_cast<double>(count);
}

double variance(const std::vector<double>& values) {
  const double middle = mean(values.data(), values.size());
  double squares = 0;
  for (const double value : values) squares += (value - middle) * (value - middle);
  return squares / static_cast<double>(values.size() - 1);
}

}  // namespace

TEST_CASE("a resting cell's noise: means scatter as its memory says") {
  const std::vector<double> cell = readings();
  // Means of batches (Law, Simulation Modeling and Analysis, section on batch means; from memory)
  // make no model of the memory: n·variance of means over the variance of values is g.
  constexpr std::size_t kBatch = 20;
  std::vector<double> means;
  for (std::size_t i = 0; i < cell.size(); i += kBatch) means.push_back(mean(&cell[i], kBatch));
  REQUIRE(means.size() == 10);
  const double by_batches = kBatch * variance(means) / variance(cell);
  const double factor = loadline::correlation_factor(cell, 1).factor;
  CAPTURE(by_batches);
  CAPTURE(factor);
  // 99 % of a variance of ten means: χ² of 9 degrees of freedom, 1.735 to 23.59 (tables).
  CHECK(factor > by_batches * 9 / 23.59);
  CHECK(factor < by_batches * 9 / 1.735);
  // Values that were taken for independent would scatter so with a chance of less than 1 in 200.
  CHECK(by_batches * 9 > 23.59);
  CHECK(factor > 1.5);
}
