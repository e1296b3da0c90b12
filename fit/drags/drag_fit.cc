#include "fit/drags/drag_fit.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "db/basis/median.h"
#include "db/basis/students_t.h"
#include "db/basis/units.h"
#include "fit/coast_downs/row_readings.h"
#include "fit/curves/results.h"
#include "fit/curves/runs_of.h"
#include "fit/curves/sessions.h"
#include "fit/drags/drag_constants.h"
#include "fit/drags/driven.h"
#include "fit/drags/ripple.h"

namespace loadline {
namespace {

using namespace drag_chosen;

constexpr Thinning kThinning{.most = 6000};

// One disc's number of pulses: a quick run-down is often too short to show it, while another one
// does.
void share_pulses(const Book& book, std::vector<Readings>& read) {
  int pulses = 0;
  for (const Readings& readings : read)
    for (const EdgeTrace* edges : {&readings.motor_edges, &readings.handwheel_edges}) {
      if (!edges->recovered) continue;
      const auto own = static_cast<int>(std::lround(edges->pulses_per_turn));
      if (pulses != 0 && own != pulses) return;  // two discs, or one misread
      pulses = own;
    }
  if (pulses == 0) return;
  for (Readings& readings : read)
    if (readings.motor_edges.empty() && readings.handwheel_edges.empty())
      readings = load_readings(book, readings.run.id, kThinning, pulses);
}

std::vector<Readings> read_all(const Book& book, const std::vector<Run>& runs) {
  std::vector<Readings> read;
  read.reserve(runs.size());
  for (const Run& run : runs) read.push_back(load_readings(book, run.id, kThinning));
  share_pulses(book, read);
  return read;
}

void warn_of_unusable(const std::vector<Readings>& read, const std::vector<Coast>& coasts,
                      std::vector<std::string>& warnings) {
  for (const Readings& readings : read)
    if (std::none_of(coasts.begin(), coasts.end(),
                     [&](const Coast& coast) { return coast.run == readings.run.id; }))
      warnings.push_back(fmt::format(
          "Run {} was left out: it does not slow down measurably over at least four values, or all "
          "runs together show too few.",
          readings.run.id));
}

// The session of each coast-down, by number.
std::vector<int> sessions_of(const Book& book, const Part& part, const std::vector<Coast>& coasts) {
  std::vector<std::int64_t> runs;
  runs.reserve(coasts.size());
  for (const Coast& coast : coasts) runs.push_back(coast.run);
  return session_numbers(book, part, runs);
}

// What runs and book say of the inertia, without what was added. A run's own is the whole that
// turned in it, of a spin-up what turned besides the added.
std::optional<Prior> known_inertia(const std::vector<Run>& runs, const Part& part) {
  for (const Run& run : runs) {
    if (!run.inertia_kgm2) continue;
    const double added = run.added_inertia_kgm2.value_or(0);
    const double own = *run.inertia_kgm2 - (run.kind == RunKind::kSpinUp ? 0 : added);
    if (own > 0) return Prior{own, run.inertia_sd_kgm2.value_or(0.0)};
  }
  if (const auto inertia = part.number("inertia-kgm2")) return Prior{*inertia, 0.02 * *inertia};
  return std::nullopt;
}

bool added_differ(const std::vector<Coast>& coasts) {
  for (const Coast& coast : coasts)
    if (coast.added_kgm2 != coasts.front().added_kgm2) return true;
  return false;
}

// ---- results ---------------------------------------------------------------------------------

void set_curve(DragFit& out, const CoastFit& fit, double clock_sd) {
  // Coefficients over the unit inertia, times that unit.
  const double unit = fit.problem->unit_inertia();
  const bool stribeck = fit.options.stribeck;
  const int k = stribeck ? 5 : 3;
  const Eigen::VectorXd& x = fit.solution.parameters;
  Eigen::VectorXd p(k);
  Eigen::MatrixXd by = Eigen::MatrixXd::Zero(k, x.size());
  for (int i = 0; i < 3; ++i) {
    p[i] = x[i] * unit;
    by(i, i) = unit;
  }
  if (stribeck) {
    p[3] = x[4] * unit;
    by(3, 4) = unit;
    p[4] = std::exp(x[5]);
    by(4, 5) = p[4];
  }
  Curve& curve = out.curve;
  curve = Curve::of_equation(stribeck ? "drag-stribeck" : "drag", p,
                             by * fit.solution.inverse_normal * by.transpose());
  const double open[] = {kOpenC0, kOpenC1, kOpenC2};
  for (int i = 0; i < 3; ++i) curve.covariance(i, i) += std::pow(open[i] * p[i], 2);
  // One clock timed all: c0 is an inertia over a square of time, c1 over a time, c2 over none.
  const Eigen::Vector3d by_clock(2 * p[0], p[1], 0);
  curve.covariance.topLeftCorner<3, 3>() += clock_sd * clock_sd * by_clock * by_clock.transpose();
  curve.degrees_of_freedom = fit.degrees_of_freedom;
  curve.speed_low = out.speed_low;
  curve.speed_high = out.speed_high;
  curve.runs = out.runs;
}

Estimate signed_estimate(double value, double sd, double factor, const char* unit) {
  return Estimate::with_half_width(value, factor * sd, unit);
}

void set_estimates(DragFit& out, const CoastFit& fit) {
  const double t = student_t_975(fit.degrees_of_freedom);
  const char* units[] = {"N·m", "N·m·s", "N·m·s²"};
  const char* over[] = {"rad/s²", "1/s", "1/rad"};
  Estimate* results[] = {&out.c0, &out.c1, &out.c2};
  std::array<Estimate, 3> ratios;
  for (int i = 0; i < 3; ++i) {
    const double value = out.curve.parameters[i];
    const double sd = std::sqrt(std::max(0.0, out.curve.covariance(i, i)));
    const auto at = static_cast<std::size_t>(i);
    *results[i] =
        out.with_inertia ? signed_estimate(value, sd, t, units[i]) : Estimate::unknown(units[i]);
    ratios[at] = signed_estimate(value, sd, t, over[i]);
  }
  if (!out.with_inertia) {
    out.over_inertia = ratios;
    out.inertia = Estimate::unknown("kg·m²");
    out.warnings.push_back(
        "One coast-down gives only drag over inertia. Record a second one with a known added "
        "inertia (--added-inertia-kgm2), or give --inertia-kgm2.");
    return;
  }
  const double inertia = fit.problem->unit_inertia() * std::exp(fit.solution.parameters[3]);
  const double log_sd = std::hypot(std::sqrt(fit.solution.inverse_normal(3, 3)), kOpenInertia);
  out.inertia = positive_estimate(inertia, inertia * log_sd, t, "kg·m²");
  if (fit.options.stribeck) {
    out.stribeck_rise =
        signed_estimate(out.curve.parameters[3], std::sqrt(out.curve.covariance(3, 3)), t, "N·m");
    out.stribeck_speed = positive_estimate(out.curve.parameters[4],
                                           std::sqrt(out.curve.covariance(4, 4)), t, "rad/s")
                             .scaled(rpm_from_rad_per_s(1), "rpm");
  }
}

CoastFinding finding(const CoastFit& fit, std::size_t j) {
  const Coast& coast = fit.coasts[j];
  CoastFinding found;
  found.run = coast.run;
  found.values = coast.size();
  found.correlation_factor = coast.correlation;
  const std::vector<double> r = fit.problem->plain_residuals(fit.solution.parameters, j);
  double squares = 0;
  for (std::size_t i = 0; i < r.size(); ++i) {
    squares += coast.weight[i] * r[i] * r[i];
    const double at = coast.by_edges ? coast.time_s[i] : coast.end_s[i];
    if (coast.weight[i] < 0.5) found.outlier_times_s.push_back(at + coast.origin_s);
  }
  found.speed_rms = std::sqrt(squares / static_cast<double>(r.size()));
  found.ripple_nm = ripple_amplitude(fit, j);
  return found;
}

void add_points(DragFit& out, const CoastFit& fit) {
  for (std::size_t j = 0; j < fit.coasts.size(); ++j) {
    const Coast& coast = fit.coasts[j];
    const std::vector<double> r = fit.problem->plain_residuals(fit.solution.parameters, j);
    const std::size_t step = std::max<std::size_t>(1, coast.speed.size() / 1200);
    for (std::size_t i = 0; i < coast.speed.size(); i += step) {
      const double at = (coast.start_s[i] + coast.end_s[i]) / 2;
      out.points.push_back({at, coast.speed[i], coast.by_edges ? 0 : r[i], coast.run});
    }
  }
}

void set_residual(DragFit& out, const CoastFit& fit) {
  double squares = 0, count = 0;
  for (std::size_t j = 0; j < fit.coasts.size(); ++j) {
    const Coast& coast = fit.coasts[j];
    const std::vector<double> r = fit.problem->plain_residuals(fit.solution.parameters, j);
    for (std::size_t i = 0; i < r.size(); ++i) {
      // Angles of edges become speeds over the usual window between two of them.
      const double gap = coast.by_edges ? coast.length_s / static_cast<double>(r.size()) : 1.0;
      squares += coast.weight[i] * r[i] * r[i] / (gap * gap);
      count += coast.weight[i];
    }
  }
  out.residual_rms = count > 0 ? std::sqrt(squares / count) : 0;
}

// Satterthwaite's, of c₀, c₁, c₂ in the mean: what lies between ways to read the rows is no scatter
// that few values tell.
double freedom_with_ways(const CoastFit& fit, const Eigen::Matrix4d& spread) {
  double share = 0;
  for (int i = 0; i < 3; ++i) {
    const double own = fit.solution.inverse_normal(i, i);
    share += own / (own + spread(i, i)) / 3;
  }
  double over = -fit.problem->parameters();
  for (const Coast& coast : fit.coasts)
    for (const double weight : coast.weight) over += weight;
  const double most = std::max(fit.degrees_of_freedom, over);
  return std::min(most, fit.degrees_of_freedom / std::max(1e-6, share * share));
}

// The speed at which the drag is below zero for sure; empty where it is nowhere.
std::optional<double> driven_at(const DragFit& fit) {
  for (const double share : {0.0, 0.25, 0.5, 0.75, 1.0}) {
    const double speed = fit.speed_low + share * (fit.speed_high - fit.speed_low);
    if (fit.curve.torque(speed) + kSureSds * fit.curve.torque_sd(speed) < 0) return speed;
  }
  return std::nullopt;
}

// Why the curve does not describe its runs; empty where it does.
std::string undescribed(const DragFit& fit, const CoastFit& coasts, double unexplained) {
  const double range = fit.speed_high - fit.speed_low;
  const double off = std::max(fit.residual_rms, course_rms(coasts));
  if (fit.residual_rms > kMostResidual * range || course_rms(coasts) > kMostCourse * range)
    return fmt::format(
        "the speeds lie {} rpm (rms) off any drag c0 + c1·ω + c2·ω², of a range of {} rpm: look "
        "whether each run is one coast-down of this machine, in rpm and seconds, and set aside "
        "what is not",
        significant(rpm_from_rad_per_s(off), 2), rpm_text(range));
  if (fit.with_inertia && std::sqrt(coasts.solution.inverse_normal(3, 3)) > kMostInertiaSd)
    return "the runs with and without added inertia do not tell the machine's own: look whether "
           "they were exchanged, and whether the added inertia is right";
  if (const auto speed = driven_at(fit))
    return fmt::format(
        "the drag comes out below zero at {} rpm, as if something drove the machine: look for lost "
        "pulses, a wrong kind of run or an added inertia that is wrong",
        rpm_text(*speed));
  if (unexplained > kMostUnexplained)
    return "the runs do not follow one drag: they disagree with it, or with each other, far beyond "
           "their scatter; fit them one by one (--runs N) and set aside the one that stands out";
  return "";
}

void forget_limits(DragFit& fit) {
  for (Estimate* estimate :
       {&fit.c0, &fit.c1, &fit.c2, &fit.inertia, &fit.stribeck_rise, &fit.stribeck_speed})
    estimate->low = estimate->high = std::nullopt;
  if (fit.over_inertia)
    for (Estimate& estimate : *fit.over_inertia) estimate.low = estimate.high = std::nullopt;
}

// Runs that differ by more than oil and felt make them, and the one that differs most from the
// others where so few can tell.
void warn_of_levels(DragFit& out, const CoastFit& fit) {
  if (!fit.problem->with_levels() || out.levels.of_runs < kSaidScatter) return;
  std::vector<double> levels;
  levels.reserve(fit.coasts.size());
  for (std::size_t j = 0; j < fit.coasts.size(); ++j)
    levels.push_back(fit.solution.parameters[fit.problem->level_column_of(j)]);
  const double usual = median(levels);
  const auto most = std::max_element(levels.begin(), levels.end(), [&](double a, double b) {
    return std::fabs(a - usual) < std::fabs(b - usual);
  });
  const double share = std::expm1(*most - usual);
  const bool told = levels.size() >= (fit.problem->inertia_free() ? 4U : 3U);
  out.warnings.push_back(fmt::format(
      "The runs differ as wholes by more than oil and felt make them ({} %){}: look at added "
      "inertia, "
      "belt and presser foot of each, and set aside what is wrong.",
      significant(100 * out.levels.of_runs, 2),
      told ? fmt::format(", run {} most, which has {} % {} drag",
                         fit.coasts[static_cast<std::size_t>(most - levels.begin())].run,
                         significant(100 * std::fabs(share), 2), share > 0 ? "more" : "less")
           : ""));
}

DragFit fit_runs(const Book& book, const Part& part, const std::vector<Run>& runs, bool of_motor,
                 const DragFitOptions& options) {
  DragFit out;
  const std::vector<Readings> read = read_all(book, runs);
  const std::vector<Coast> coasts = cut_coasts(read, of_motor, RowReading::kBetweenValues);
  warn_of_unusable(read, coasts, out.warnings);
  if (coasts.empty())
    throw Error(
        Fault::kInput,
        fmt::format("{} '{}' has no usable coast-down{}; record one with loadline-logger record "
                    "coast-down, or import one.",
                    part_kind_name(part.kind), part.name,
                    options.runs.empty() ? "" : " among the runs asked for"));
  std::optional<Prior> inertia = options.inertia;
  const bool pair = added_differ(coasts);
  if (!inertia && !pair) inertia = known_inertia(runs, part);
  double largest = 0;
  for (const Coast& coast : coasts) largest = std::max(largest, coast.added_kgm2);
  const double unit = inertia ? inertia->mean : (pair ? largest : 1.0);
  std::vector<RowsRead> ways = read_in_every_way(read, of_motor, unit, inertia);
  RowsRead& way = ways.front();
  const std::vector<int> sessions = sessions_of(book, part, way.coasts);
  const Eigen::MatrixXd levels = judged_levels(*way.fit, sessions);
  const Eigen::Matrix4d spread = spread_of(ways, levels) +
                                 doubt_of_last_edges(way, unit, inertia, levels) +
                                 doubt_of_turns(way);
  FittedCoasts fitted = fit_with_or_without_rise(way.coasts, options.stribeck, std::move(way.fit),
                                                 unit, inertia, out.choice);
  if (fitted->usable) final_fit(*fitted);
  fitted = fit_levels(std::move(fitted), sessions, unit, inertia, out.levels);
  CoastFit& fit = *fitted;
  if (!fit.usable)
    throw Error(Fault::kInput,
                fmt::format("the coast-downs of '{}' do not determine a drag curve: {}", part.name,
                            fit.solution.message.empty()
                                ? "no speeds that slow down by c0 + c1·ω + c2·ω² are like theirs; "
                                  "look whether they are coast-downs, in rpm and seconds"
                                : fit.solution.message));
  const double unexplained = unexplained_course(fit);
  fit.solution.inverse_normal *=
      std::max(1.0, unexplained) * (1 + misfit_of_ends(fit, unit, inertia));
  if (fit.coasts.front().from_rows) fit.degrees_of_freedom = freedom_with_ways(fit, spread);
  fit.solution.inverse_normal.topLeftCorner<4, 4>() += spread;
  if (fit.coasts.front().from_rows) out.rows_read_as = row_reading_words(way.reading);
  out.with_inertia = fit.problem->inertia_free();
  for (const Coast& coast : fit.coasts) {
    out.runs.push_back(coast.run);
    out.speed_low =
        out.runs.size() == 1 ? coast.speed_low : std::min(out.speed_low, coast.speed_low);
    out.speed_high = std::max(out.speed_high, coast.speed_high);
  }
  double clock_sd = 0;
  for (const Readings& readings : read) clock_sd = std::max(clock_sd, readings.clock_relative_sd);
  set_curve(out, fit, clock_sd);
  set_estimates(out, fit);
  set_residual(out, fit);
  for (std::size_t j = 0; j < fit.coasts.size(); ++j) out.findings.push_back(finding(fit, j));
  add_points(out, fit);
  warn_of_levels(out, fit);
  out.not_described = undescribed(out, fit, unexplained);
  if (!out.not_described.empty()) forget_limits(out);
  for (const CoastFinding& found : out.findings)
    if (!found.outlier_times_s.empty())
      out.warnings.push_back(fmt::format(
          "Run {} has {} reading{} that do{} not belong to the coast-down (first at {:.2f} s).",
          found.run, found.outlier_times_s.size(), found.outlier_times_s.size() == 1 ? "" : "s",
          found.outlier_times_s.size() == 1 ? "es" : "", found.outlier_times_s.front()));
  return out;
}

DragFit from_driven(const DrivenFit& driven) {
  DragFit out;
  out.with_inertia = true;  // torques, not torques over inertia
  out.torque_residuals = true;
  out.speed_low = driven.speed_low;
  out.speed_high = driven.speed_high;
  out.runs = driven.runs;
  out.residual_rms = driven.residual_rms;
  out.warnings = driven.warnings;
  out.choice = "from driven runs, the motor as torque meter";
  out.curve = Curve::of_equation("drag", driven.drag, driven.covariance);
  out.curve.degrees_of_freedom = driven.degrees_of_freedom;
  out.curve.speed_low = driven.speed_low;
  out.curve.speed_high = driven.speed_high;
  out.curve.runs = driven.runs;
  const double t = student_t_975(driven.degrees_of_freedom);
  const char* units[] = {"N·m", "N·m·s", "N·m·s²"};
  Estimate* results[] = {&out.c0, &out.c1, &out.c2};
  for (int i = 0; i < 3; ++i)
    *results[i] =
        Estimate::with_half_width(driven.drag[i], t * std::sqrt(driven.covariance(i, i)), units[i]);
  out.inertia = Estimate::unknown("kg·m²");
  const std::size_t step = std::max<std::size_t>(1, driven.points.size() / 1200);
  for (std::size_t i = 0; i < driven.points.size(); i += step)
    out.points.push_back({driven.points[i].time_s, driven.points[i].speed, 0, driven.runs.front()});
  return out;
}

// Do coast-downs and driven runs agree? Their difference over its standard uncertainty, in the
// middle of the range that both saw.
void compare_with_driven(DragFit& fit, const DrivenFit& driven) {
  const double low = std::max(fit.speed_low, driven.speed_low);
  const double high = std::min(fit.speed_high, driven.speed_high);
  if (!(high > low) || !fit.with_inertia) return;
  const double speed = (low + high) / 2;
  const Eigen::Vector3d g(1, speed, speed * speed);
  const double there = g.dot(driven.drag), here = fit.curve.torque(speed);
  const double sd = std::hypot(fit.curve.torque_sd(speed), std::sqrt(g.dot(driven.covariance * g)));
  if (std::fabs(there - here) > 3 * sd)
    fit.warnings.push_back(fmt::format(
        "Driven runs give {} N·m at {} rpm where the coast-downs give {} N·m: belt loss, or a "
        "motor that was warmer than when its curve was taken. The coast-downs are used.",
        significant(there, 3), rpm_text(speed), significant(here, 3)));
}

// Runs in which nothing but the motor (and a flywheel) turned.
std::vector<Run> runs_alone(const Book& book, const Part& motor, RunKind kind) {
  std::vector<Run> runs = runs_of(book, motor, kind);
  std::erase_if(runs, [](const Run& run) { return run.machine != 0; });
  return runs;
}

}  // namespace

DragFit fit_drag(const Book& book, const Part& machine, const DragFitOptions& options) {
  std::vector<std::string> left_out;
  const std::vector<Run> coasts =
      runs_of(book, machine, RunKind::kCoastDown, options.runs, &left_out);
  const std::vector<Run> driven = runs_of(book, machine, RunKind::kDriven, options.runs, &left_out);
  const bool only_driven = coasts.empty() && !driven.empty();
  DragFit fit = only_driven ? from_driven(fit_driven(book, driven))
                            : fit_runs(book, machine, coasts, false, options);
  fit.warnings.insert(fit.warnings.begin(), left_out.begin(), left_out.end());
  if (only_driven) return fit;
  if (driven.empty()) return fit;
  try {
    compare_with_driven(fit, fit_driven(book, driven));
  } catch (const Error& error) {
    fit.warnings.push_back(fmt::format("The driven runs were not compared: {}", error.what()));
  }
  return fit;
}

std::optional<DragFit> fit_motor_drag(const Book& book, const Part& motor, bool of_spin_ups,
                                      const std::vector<std::int64_t>& numbers) {
  DragFitOptions options;
  options.stribeck = false;
  for (const RunKind kind : {RunKind::kCoastDown, RunKind::kSpinUp}) {
    if (kind == RunKind::kSpinUp && !of_spin_ups) continue;
    std::vector<Run> runs = runs_alone(book, motor, kind);
    std::erase_if(runs, [&](const Run& run) {
      return !numbers.empty() && std::find(numbers.begin(), numbers.end(), run.id) == numbers.end();
    });
    if (kind == RunKind::kSpinUp)
      std::erase_if(runs, [&](const Run& run) {
        return !run.inertia_kgm2 ||
               cut_coasts(read_all(book, {run}), true, RowReading::kBetweenValues).empty();
      });
    if (runs.empty()) continue;
    DragFit fit = fit_runs(book, motor, runs, true, options);
    if (fit.with_inertia) return fit;
  }
  return std::nullopt;
}

}  // namespace loadline
