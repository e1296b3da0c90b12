#include "logger/calibration_points.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <fstream>

#include "db/basis/error.h"
#include "db/basis/estimate.h"
#include "db/basis/quantity.h"

namespace loadline {
namespace {

std::optional<double> number(const std::string& text) {
  double value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc() || end != text.data() + text.size() || !std::isfinite(value))
    return std::nullopt;
  return value;
}

std::string trimmed(const std::string& text) {
  const auto first = text.find_first_not_of(" \t\r\xEF\xBB\xBF");
  if (first == std::string::npos) return {};
  return text.substr(first, text.find_last_not_of(" \t\r") - first + 1);
}

std::vector<std::string> cells(const std::string& line) {
  std::vector<std::string> found;
  for (std::size_t from = 0;;) {
    const auto to = line.find(',', from);
    found.push_back(trimmed(line.substr(from, to - from)));
    if (to == std::string::npos) return found;
    from = to + 1;
  }
}

/// Where each column stands in the file; direction may be absent.
struct Columns {
  std::optional<std::size_t> mass, counts, direction;
  std::size_t size = 0;
};

Columns read_header(const std::string& line, const std::string& path) {
  Columns columns;
  for (const std::string& name : cells(line)) {
    if (name == "mass_g")
      columns.mass = columns.size;
    else if (name == "counts")
      columns.counts = columns.size;
    else if (name == "direction")
      columns.direction = columns.size;
    else
      throw Error(Fault::kInput, fmt::format("{}: column '{}' is not known here; the header names "
                                             "mass_g, counts and perhaps direction.",
                                             path, name));
    ++columns.size;
  }
  if (!columns.mass || !columns.counts)
    throw Error(Fault::kInput,
                fmt::format("{}: the header row must name mass_g and counts.", path));
  return columns;
}

}  // namespace

OrderedPoint read_ordered_point(const std::string& text) {
  const auto equals = text.find('=');
  OrderedPoint point;
  const auto mass = read_quantity(text.substr(0, equals), "g");
  if (!mass || *mass < 0)
    throw Error(Fault::kInput, fmt::format("--point {}: the mass must be a number of grams, 0 or "
                                           "more.",
                                           text));
  point.mass_g = *mass;
  if (equals == std::string::npos) return point;
  const std::string rest = text.substr(equals + 1);
  if (rest.empty())
    throw Error(Fault::kInput,
                fmt::format("--point {}: counts or a capture are missing after '='.", text));
  point.counts = number(rest);
  if (!point.counts) point.port = rest;
  return point;
}

std::vector<LoadPoint> read_points_file(const std::string& path) {
  std::ifstream file(path);
  std::string line;
  if (!file || !std::getline(file, line))
    throw Error(Fault::kInput,
                fmt::format("{} cannot be read, or is empty; give a CSV file with the "
                            "columns mass_g and counts.",
                            path));
  const Columns columns = read_header(line, path);
  std::vector<LoadPoint> points;
  for (int row = 2; std::getline(file, line); ++row) {
    if (trimmed(line).empty()) continue;
    const std::vector<std::string> found = cells(line);
    const auto complain = [&](const char* what) {
      throw Error(Fault::kInput, fmt::format("{}, line {}: {}.", path, row, what));
    };
    if (found.size() != columns.size) complain("it has another number of cells than the header");
    const auto mass = number(found[*columns.mass]);
    const auto counts = number(found[*columns.counts]);
    if (!mass || *mass < 0) complain("the mass is no number of grams, 0 or more");
    if (!counts) complain("the counts are no number");
    points.push_back({*mass * 1e-3, *counts, LoadDirection::kUp});
    if (!columns.direction) continue;
    const std::string& direction = found[*columns.direction];
    if (direction != "up" && direction != "down") complain("the direction must be up or down");
    if (direction == "down") points.back().direction = LoadDirection::kDown;
  }
  if (!columns.direction) direct_by_order(points);
  return points;
}

RestMean settled_mean(const Haul& haul, double mass_g, double tick_hz) {
  const auto settled = [&](const Sample& sample) {
    return static_cast<double>(sample.tick - haul.samples.front().tick) >= kSettleS * tick_hz;
  };
  const auto from = std::find_if(haul.samples.begin(), haul.samples.end(), settled);
  const auto mean = mean_counts({from, haul.samples.end()});
  if (!mean)
    throw Error(Fault::kRig, fmt::format("the rig sent no counts of a load cell under {} g; see "
                                         "'loadline-logger probe'.",
                                         significant(mass_g, 6)));
  return *mean;
}

void direct_by_order(std::vector<LoadPoint>& points) {
  for (std::size_t i = 1; i < points.size(); ++i) {
    const double step = points[i].mass_kg - points[i - 1].mass_kg;
    points[i].direction = step < 0   ? LoadDirection::kDown
                          : step > 0 ? LoadDirection::kUp
                                     : points[i - 1].direction;
  }
}

}  // namespace loadline
