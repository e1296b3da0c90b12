// A series motor: T = A/((ω+ω₀)²+ωₓ²) less its own drag, A = V²/K, ω₀ = R/K, ωₓ = X/K, with iron
// that saturates (equations.h).
//
// A goes with V²; ωₓ with f; ω₀ with the winding's resistance, to which one in series adds.
#include <Eigen/Dense>
#include <cmath>

#include "fit/equations/described.h"
#include "fit/equations/equations.h"
#include "fit/equations/motor_constants.h"

namespace loadline {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

using namespace motor_chosen;

// u = ln(electromagnetic standstill torque of the unsaturated motor), ln ω₀, ωₓ over the highest
// speed (its sign has no meaning: direct current has none of it), the three drag terms at top speed
// as shares of the torque scale, and σ in units of one over that scale.
class SeriesShape final : public ShapeOf<SaturatedSeriesEquation> {
 public:
  SeriesShape(const SweepScale& scale, const std::optional<OwnDrag>& own) : ShapeOf(scale) {
    if (own) take_own_drag(*own);
  }

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
    Eigen::Matrix3d believed =
        prior_root_.block<3, 3>(2, 3).transpose() * prior_root_.block<3, 3>(2, 3);
    if (own.all_there_is) believed.setZero();
    const Eigen::Matrix3d precision = measured + believed;
    prior_mean_.segment<3>(3) = precision.ldlt().solve(measured * (inverse_unit * own.value) +
                                                       believed * prior_mean_.segment<3>(3));
    prior_root_.block<3, 3>(2, 3) = precision.llt().matrixU();
  }
  MatrixXd prior_root_ = weak_root();
  VectorXd prior_mean_ = weak_mean();
};

}  // namespace

MotorEquation series_motor() {
  return described<SeriesShape, SeriesEquation>(
      {.name = "series",
       .parameters = {{.name = "A",
                       .symbol = "A",
                       .unit = "N·m·rad²/s²",
                       .meaning = "strength of the motor: supply squared over its flux constant",
                       .by_torque = 1,
                       .by_voltage = 2},
                      {.name = "omega_0",
                       .symbol = "ω₀",
                       .unit = "rad/s",
                       .meaning =
                           "winding resistance, as the speed whose back voltage equals its drop",
                       .by_resistance = 1},
                      {.name = "omega_x",
                       .symbol = "ωₓ",
                       .unit = "rad/s",
                       .meaning = "winding reactance, likewise",
                       .by_frequency = 1},
                      {.name = "d0",
                       .symbol = "d₀",
                       .unit = "N·m",
                       .meaning = "the motor's own friction, the same at every speed",
                       .positive = false,
                       .by_torque = 1},
                      {.name = "d1",
                       .symbol = "d₁",
                       .unit = "N·m·s",
                       .meaning = "the motor's own drag that grows with the speed",
                       .positive = false,
                       .by_torque = 1},
                      {.name = "d2",
                       .symbol = "d₂",
                       .unit = "N·m·s²",
                       .meaning = "the motor's own fan, growing with the speed squared",
                       .positive = false,
                       .by_torque = 1},
                      {.name = "sigma",
                       .symbol = "σ",
                       .unit = "1/(N·m)",
                       .meaning = "how far the iron saturates",
                       .positive = false,
                       .by_torque = -1}},
       .series_resistance = "omega_0",
       .brush_v = 2,  // of two carbon brushes (handbooks, from memory)
       .brush_v_sd = 1,
       .swings_with_mains = true});
}

}  // namespace loadline
