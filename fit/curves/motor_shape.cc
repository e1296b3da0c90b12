#include "fit/curves/motor_shape.h"

#include <Eigen/Dense>
#include <cmath>

#include "fit/curves/equations.h"
#include "fit/curves/shape_of.h"

namespace loadline {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

// Wide beliefs that hold a series motor's fit where its data are silent (the spread on a log scale
// is 1: a factor of e either way at one standard deviation). Corner speeds of such motors lie at
// some tenths of the no-load speed; their friction and fan take a few per cent of the standstill
// torque.
constexpr double kCornerShare = 0.35, kCornerLogSd = 1.0;
constexpr double kReactanceShare = 0.25, kReactanceSd = 0.25;
constexpr double kDragShare[3] = {0.03, 0.03, 0.05};
constexpr double kDragShareSd[3] = {0.03, 0.05, 0.06};
// Saturation σ times the torque scale: 0 for iron that stays linear, about 0.5 for a hard-driven
// one.
constexpr double kSaturation = 0.2, kSaturationSd = 0.8;

class PermanentMagnetShape final : public LogShape<PermanentMagnetEquation> {
 public:
  using LogShape::LogShape;
  std::string name() const override { return "permanent-magnet"; }
  std::vector<VectorXd> starts() const override {
    return {Eigen::Vector2d(std::log(scale_.torque), std::log(1.05 * scale_.speed))};
  }
};

class InductionShape final : public LogShape<InductionEquation> {
 public:
  using LogShape::LogShape;
  std::string name() const override { return "induction"; }
  std::vector<VectorXd> starts() const override {
    std::vector<VectorXd> starts;
    for (const double slip : {0.08, 0.2, 0.5})
      starts.push_back(
          Eigen::Vector3d(std::log(scale_.torque), std::log(slip), std::log(1.02 * scale_.speed)));
    return starts;
  }
};

// u = ln(electromagnetic standstill torque of the unsaturated motor), ln ω₀, ωₓ over the highest
// speed (its sign has no meaning: direct current has none of it), the three drag terms at top speed
// as shares of the torque scale, and σ in units of one over that scale.
class SeriesShape final : public ShapeOf<SaturatedSeriesEquation> {
 public:
  SeriesShape(const SweepScale& scale, const std::optional<OwnDrag>& own) : ShapeOf(scale) {
    if (own) take_own_drag(*own);
  }
  std::string name() const override { return "series"; }

  VectorXd natural(const VectorXd& u) const override {
    const double w0 = std::exp(u[1]), wx = u[2] * scale_.speed;
    VectorXd p(kSize);
    p << std::exp(u[0]) * (w0 * w0 + wx * wx), w0, std::fabs(wx), u[3] * drag_unit(0),
        u[4] * drag_unit(1), u[5] * drag_unit(2), u[6] / scale_.torque;
    return p;
  }
  MatrixXd natural_by_internal(const VectorXd& u) const override {
    const double stall = std::exp(u[0]), w0 = std::exp(u[1]), wx = u[2] * scale_.speed;
    MatrixXd d = MatrixXd::Zero(kSize, kSize);
    d(0, 0) = stall * (w0 * w0 + wx * wx);
    d(0, 1) = stall * 2 * w0 * w0;
    d(0, 2) = stall * 2 * wx * scale_.speed;
    d(1, 1) = w0;
    d(2, 2) = std::copysign(scale_.speed, wx);
    for (int j = 0; j < 3; ++j) d(3 + j, 3 + j) = drag_unit(j);
    d(6, 6) = 1 / scale_.torque;
    return d;
  }
  std::vector<VectorXd> starts() const override {
    std::vector<VectorXd> starts;
    for (const double w0 : {0.15, 0.4, 1.0})
      for (const double wx : {0.15, 0.6}) {
        VectorXd u = prior_mean_;
        u[0] = std::log(1.1 * scale_.torque);
        u[1] = std::log(w0 * scale_.speed);
        u[2] = wx;
        starts.push_back(u);
      }
    return starts;
  }
  MatrixXd prior_root() const override { return prior_root_; }
  VectorXd prior_mean() const override { return prior_mean_; }

 private:
  double drag_unit(int power) const { return scale_.torque / std::pow(scale_.speed, power); }
  static MatrixXd weak_root() {
    MatrixXd root = MatrixXd::Zero(6, kSize);
    root(5, 6) = 1 / kSaturationSd;
    root(0, 1) = 1 / kCornerLogSd;
    root(1, 2) = 1 / kReactanceSd;
    for (int j = 0; j < 3; ++j) root(2 + j, 3 + j) = 1 / kDragShareSd[j];
    return root;
  }
  VectorXd weak_mean() const {
    VectorXd mean(kSize);
    const double corner = std::log(kCornerShare * scale_.speed);
    mean << 0, corner, kReactanceShare, kDragShare[0], kDragShare[1], kDragShare[2], kSaturation;
    return mean;
  }
  void take_own_drag(const OwnDrag& own) {
    Eigen::Matrix3d unit = Eigen::Matrix3d::Zero();
    for (int j = 0; j < 3; ++j) unit(j, j) = drag_unit(j);
    const Eigen::Matrix3d inverse_unit = unit.inverse();
    const Eigen::Matrix3d covariance = inverse_unit * own.covariance * inverse_unit;
    // A floor keeps a perfect coast-down from making the problem singular; a short one, which
    // says little of how drag goes with speed, leaves that to what is believed anyway.
    const Eigen::Matrix3d floor = 1e-8 * Eigen::Matrix3d::Identity();
    const Eigen::Matrix3d measured = (covariance + floor).inverse();
    const Eigen::Matrix3d believed =
        prior_root_.block<3, 3>(2, 3).transpose() * prior_root_.block<3, 3>(2, 3);
    const Eigen::Matrix3d precision = measured + believed;
    prior_mean_.segment<3>(3) = precision.ldlt().solve(measured * (inverse_unit * own.value) +
                                                       believed * prior_mean_.segment<3>(3));
    prior_root_.block<3, 3>(2, 3) = precision.llt().matrixU();
  }
  MatrixXd prior_root_ = weak_root();
  VectorXd prior_mean_ = weak_mean();
};

}  // namespace

std::unique_ptr<MotorShape> motor_shape(const std::string& name, const SweepScale& scale,
                                        const std::optional<OwnDrag>& own_drag) {
  if (name == "series") return std::make_unique<SeriesShape>(scale, own_drag);
  if (name == "permanent-magnet") return std::make_unique<PermanentMagnetShape>(scale);
  if (name == "induction") return std::make_unique<InductionShape>(scale);
  return nullptr;
}

}  // namespace loadline
