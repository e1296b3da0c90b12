#include "logger/live/page_calibration.h"

#include <algorithm>
#include <nlohmann/json.hpp>

#include "db/basis/units.h"
#include "logger/calibration_points.h"
#include "logger/live/plain_words.h"

namespace loadline {

void PageCalibration::add(double mass_g, const RestMean& reading) {
  points_.push_back({mass_g, reading});
}

void PageCalibration::drop(std::int64_t index) {
  if (index < 0 || index >= static_cast<std::int64_t>(points_.size()))
    throw Error(Fault::kInput, "there is no such point.");
  points_.erase(points_.begin() + index);
}

LoadDirection PageCalibration::direction_of(double mass_g) const {
  return !points_.empty() && mass_g < points_.back().mass_g ? LoadDirection::kDown
                                                            : LoadDirection::kUp;
}

std::vector<LoadPoint> PageCalibration::load_points() const {
  std::vector<LoadPoint> points;
  for (const Point& point : points_)
    points.push_back({point.mass_g * 1e-3, point.reading.mean_counts, LoadDirection::kUp});
  direct_by_order(points);
  return points;
}

LoadCellFit PageCalibration::fit(const Part& rig) const {
  const auto arm = rig.number("arm-mm");
  if (!arm)
    throw Error(Fault::kInput,
                "the length of the arm is not known; enter it with the rig, centre of the shaft to "
                "the cell.");
  LoadCellOptions options;
  options.arm_m = m_from_mm(*arm);
  options.arm_sd_m = m_from_mm(rig.number("arm-sd-mm").value_or(0));
  return calibrate_load_cell(load_points(), options);
}

double PageCalibration::heaviest_g() const {
  double heaviest = 0;
  for (const Point& point : points_) heaviest = std::max(heaviest, point.mass_g);
  return heaviest;
}

Json PageCalibration::json(const Part& rig) const {
  Json json = {{"points", Json::array()}, {"why", ""}};
  const std::vector<LoadPoint> points = load_points();
  for (std::size_t i = 0; i < points.size(); ++i)
    json["points"].push_back({{"mass_g", points_[i].mass_g},
                              {"counts", json_number(points[i].counts)},
                              {"sd_counts", json_number(points_[i].reading.sd_counts)},
                              {"conversions", points_[i].reading.conversions},
                              {"up", points[i].direction == LoadDirection::kUp}});
  try {
    const LoadCellFit fit = this->fit(rig);
    json["model"] = fit.degree == 1 ? "line" : "quadratic";
    json["slope"] = to_json(fit.slope);
    json["zero"] = to_json(fit.zero);
    json["nonlinearity"] = to_json(fit.nonlinearity);
    json["hysteresis"] = to_json(fit.hysteresis);
    json["repeatability"] = to_json(fit.repeatability);
    json["warnings"] = Json::array();
    for (const std::string& warning : fit.warnings) json["warnings"].push_back(on_page(warning));
    for (std::size_t i = 0; i < points.size(); ++i)
      json["points"][i]["residual_counts"] =
          json_number(fit.counts_over_force.residuals[static_cast<Eigen::Index>(i)]);
  } catch (const Error& error) {
    json["why"] = points_.size() < 3 ? "" : on_page(error.what());
    json["few"] = points_.size() < 3;
  }
  return json;
}

}  // namespace loadline
