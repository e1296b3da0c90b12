#include "fit/motors/motor_spin_up.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <numeric>
#include <string_view>

#include "db/basis/units.h"
#include "fit/curves/other_curves.h"
#include "fit/curves/results.h"
#include "fit/curves/sessions.h"
#include "fit/equations/motor_equation.h"
#include "fit/motor_runs/motor_gate.h"
#include "fit/motor_runs/winding_temperature.h"
#include "fit/motors/motor_budget.h"
#include "fit/motors/motor_models.h"
#include "fit/motors/motor_results.h"
#include "fit/motors/runs_apart.h"
#include "fit/readings/stated_tachometer.h"
#include "fit/spin_ups/bent_run_up.h"
#include "fit/spin_ups/disc_windage.h"
#include "fit/spin_ups/run_up.h"
#include "fit/spin_ups/spin_up_constants.h"

namespace loadline {
namespace {

using namespace spin_up_chosen;

// Solutions by equation, from which another fit can begin.
using QuickFits = std::map<std::string, Eigen::VectorXd>;

struct RunUpCandidate {
  RunUpFit fit;
  ModelTried tried;
};

std::vector<RunUpCandidate> try_run_ups(const std::vector<RunUp>& runs,
                                        const std::optional<OwnDrag>& own,
                                        const std::vector<std::string>& names,
                                        const QuickFits& known) {
  std::vector<RunUpCandidate> candidates;
  for (const std::string& name : names) {
    const auto at = known.find(name);
    candidates.push_back(
        {fit_run_ups(name, runs, own, at == known.end() ? std::nullopt : std::optional(at->second)),
         {}});
    candidates.back().tried.name = name;
  }
  double values = 0, least = 1e300;
  for (const RunUpCandidate& c : candidates)
    if (c.fit.usable && c.fit.speed_rms < least) {
      least = c.fit.speed_rms;
      values = std::max(c.fit.values, motor_chosen::kLeastValues);
    }
  for (RunUpCandidate& c : candidates) {
    c.tried.residual_rms = c.fit.speed_rms;
    c.tried.aicc = c.fit.usable ? aicc(values, c.fit.speed_rms, c.fit.parameters) : 1e300;
    c.tried.runs_z = c.fit.runs_z;
    c.tried.remark =
        c.fit.usable ? "fitted to the speeds of the spin-up" : "did not converge on these data";
  }
  std::stable_sort(candidates.begin(), candidates.end(),
                   [](const auto& a, const auto& b) { return a.tried.aicc < b.tried.aicc; });
  return candidates;
}

// Every run by this reading of its rows; empty where one does not allow it.
std::vector<RunUp> cut(const std::vector<Readings>& spin_ups, double reference_v,
                       RowReading reading) {
  std::vector<RunUp> runs;
  for (const Readings& readings : spin_ups) {
    if (!make_run_up(readings, reference_v)) continue;
    auto run = reading == RowReading::kBetweenValues ? make_plain_run_up(readings, reference_v)
                                                     : make_run_up(readings, reference_v, reading);
    if (!run) return {};
    runs.push_back(std::move(*run));
  }
  return runs;
}

// Of a spin-up, which no row repeats for long, the others differ from one of these in nothing.
constexpr RowReading kOfSpinUps[] = {
    RowReading::kBetweenValues, RowReading::kLastTurn,     RowReading::kAngleAgo,
    RowReading::kMeanOfTurns,   RowReading::kMeanOverTime, RowReading::kSmoothedOverTime,
    RowReading::kSmoothedTurns, RowReading::kTurnAgo,      RowReading::kBetweenRows};

struct WayRead {
  RowReading reading;
  std::vector<RunUp> runs;
  std::vector<BentView> views;  ///< by the equation that leaves least
};
// By all ways to read a file's rows.
struct RowsRead {
  RowReading best = RowReading::kBetweenValues;
  std::vector<WayRead> ways;
  std::string model;  ///< of their views
  QuickFits known;    ///< by the best way
};

std::vector<std::vector<BentView>> views_of(const std::vector<WayRead>& ways) {
  std::vector<std::vector<BentView>> views;
  views.reserve(ways.size());
  for (const WayRead& way : ways) views.push_back(way.views);
  return views;
}

// What each way counts with all of its bends together; 1 in all.
std::vector<double> shares_of_ways(const std::vector<WayRead>& ways) {
  const std::vector<double> shares = shares_of(views_of(ways));
  std::vector<double> of_ways;
  of_ways.reserve(ways.size());
  auto share = shares.begin();
  for (const WayRead& way : ways) {
    const auto next = share + static_cast<std::ptrdiff_t>(way.views.size());
    of_ways.push_back(std::accumulate(share, next, 0.0));
    share = next;
  }
  return of_ways;
}

bool reaches_as_stated(const RunUp& run) {
  return run.span.sd == 0 && run.made != RunUp::Made::kTurnAgo;
}

// By the equation that leaves least, with bends: what it leaves out itself is no reason to read the
// rows in another way. That equation is told by ways that reach back by what they say themselves: a
// display of any reach makes a bent line of a straight one.
void weigh_ways(RowsRead& read, const std::optional<OwnDrag>& own,
                const std::vector<std::string>& names) {
  std::map<std::string, std::vector<RunUpFit>> by_model;
  double least = 1e300, of_best = 1e300;
  for (const char* model : {"series", "permanent-magnet", "induction"}) {
    // No turning field runs so fast as most motors do.
    if (std::string_view(model) == "induction" &&
        std::find(names.begin(), names.end(), model) == names.end())
      continue;
    std::vector<RunUpFit>& fits = by_model[model];
    std::optional<Eigen::VectorXd> start;
    double score = 1e300, as_stated = 1e300;
    for (const WayRead& way : read.ways) {
      // An equation that is far off one way to read the rows is so by all.
      const bool hopeless = !fits.empty() && as_stated > least + kFarBehind;
      fits.push_back(hopeless ? RunUpFit{} : fit_run_ups_quickly(model, way.runs, own, start));
      const RunUpFit& fit = fits.back();
      if (!fit.usable) continue;
      const double its = fit.score + 2 * fit.parameters;
      if (reaches_as_stated(way.runs.front())) as_stated = std::min(as_stated, its);
      if (its > score) continue;
      score = its;
      start = fit.solution.parameters;
    }
    if (score >= kUndefined || (as_stated >= least && !read.model.empty())) continue;
    least = as_stated;
    of_best = score;
    read.model = model;
  }
  if (read.model.empty()) return;
  const std::vector<RunUpFit>& fits = by_model[read.model];
  for (std::size_t w = 0; w < fits.size(); ++w)
    if (fits[w].usable && fits[w].score + 2 * fits[w].parameters < of_best + kFarBehind)
      read.ways[w].views = bent_views(fits[w]);
  const std::vector<double> shares = shares_of_ways(read.ways);
  double most = 0;
  for (std::size_t w = 0; w < fits.size(); ++w) {
    if (shares[w] <= most) continue;
    most = shares[w];
    read.best = read.ways[w].reading;
    for (const auto& [model, its] : by_model)
      if (its[w].usable) read.known[model] = its[w].solution.parameters;
  }
}

bool any_repeats(const std::vector<Readings>& spin_ups) {
  return std::any_of(spin_ups.begin(), spin_ups.end(), [](const Readings& r) {
    const std::vector<bool>& repeat = r.motor_rows.repeat;
    return std::find(repeat.begin(), repeat.end(), true) != repeat.end();
  });
}

// Which way to read the rows of a file leaves least over, by whichever equation? What the owner
// says of the tachometer leaves fewer.
RowsRead read_rows(const std::vector<Readings>& spin_ups, double reference_v,
                   const std::optional<OwnDrag>& own, const std::vector<std::string>& names) {
  RowsRead read;
  // Rows that tell the edges behind them say themselves what they are.
  const auto from_file = [](const Readings& r) {
    return r.motor_rows.size() > 0 && !r.motor.from_edges;
  };
  if (!std::all_of(spin_ups.begin(), spin_ups.end(), from_file)) return read;
  const std::optional<Tachometer> stated = stated_by_all(spin_ups);
  if (stated == Tachometer::kAnalogue) {
    if (!cut(spin_ups, reference_v, RowReading::kAtRows).empty()) read.best = RowReading::kAtRows;
    return read;
  }
  for (const RowReading reading : kOfSpinUps) {
    if (stated && !makes(*stated, reading)) continue;
    // Where no value repeats, the one before is that of the row before.
    if (reading == RowReading::kBetweenRows && !any_repeats(spin_ups)) continue;
    if (std::vector<RunUp> runs = cut(spin_ups, reference_v, reading); !runs.empty())
      read.ways.push_back({reading, std::move(runs), {}});
  }
  weigh_ways(read, own, names);
  return read;
}

double lowest_share(const std::vector<RunUp>& runs) {
  double low = 1e300, high = 0;
  for (const RunUp& run : runs) {
    low = std::min(low, run.speed.front());
    high = std::max(high, run.speed.back());
  }
  return low / high;
}

Curve curve_of(const RunUpFit& fit, const std::string& model, double reference_v) {
  Curve curve = Curve::of_equation(model, fit.natural, fit.covariance);
  curve.degrees_of_freedom = std::max(3.0, fit.values - fit.parameters);
  curve.speed_low = fit.runs.front().speed.front();
  for (const RunUp& run : fit.runs) {
    curve.runs.push_back(run.run);
    curve.speed_low = std::min(curve.speed_low, run.speed.front());
    curve.speed_high = std::max(curve.speed_high, run.speed.back());
  }
  if (std::isfinite(reference_v)) curve.supply_v = reference_v;
  return curve;
}

// Points to look at: the inertia's part by differences over a few windows; the fit does not use
// them.
void add_points(MotorFit& out, const RunUpFit& fit) {
  for (const RunUp& run : fit.runs) {
    const std::size_t reach = std::max<std::size_t>(2, run.speed.size() / 40);
    for (std::size_t i = reach; i + reach < run.speed.size(); ++i) {
      const double dt = (run.end_s[i + reach] + run.start_s[i + reach] - run.end_s[i - reach] -
                         run.start_s[i - reach]) /
                        2;
      const double torque = run.inertia.mean * (run.speed[i + reach] - run.speed[i - reach]) / dt;
      out.points.push_back(
          {run.speed[i], torque, torque - out.curve.torque(run.speed[i]), run.weight[i]});
    }
  }
}

Curve like(const Curve& curve, const RunUpFit& fit, const std::string& model) {
  Curve other = Curve::of_equation(model, fit.natural, fit.covariance);
  other.speed_low = curve.speed_low;
  other.speed_high = curve.speed_high;
  return other;
}

// A tachometer that smooths still holds the standstill when the shaft has long turned, and a motor
// switched on needs its first instants: what the run says without its slow part should be the same.
// What it is off by more than both fits' own doubt allows, `allowed` times their variances'
// difference, is doubt, too.
void add_doubt_of_start(EquationDoubt& doubt, const RunUpFit& fit, const Curve& curve,
                        const std::optional<OwnDrag>& own, double share, double allowed) {
  std::vector<RunUp> runs;
  for (const RunUp& run : fit.runs) {
    auto later = without_start(run, share);
    if (!later) return;
    runs.push_back(std::move(*later));
  }
  const RunUpFit again = fit_run_ups_quickly(curve.model, runs, own, fit.solution.parameters);
  if (!again.usable) return;
  // Not one of several that could be right: what it differs by counts whole.
  ResultDoubt whole = doubt_between(curve, {{like(curve, again, curve.model), 1, allowed}}, 0);
  whole.no_load = 0;  // told by the fast part
  add_doubt(doubt, whole);
}

// What the run says of a torque that may bend beside the equation, by every way to read its rows,
// beyond the curve's own doubt.
ResultDoubt doubt_of_bends(const std::vector<std::vector<BentView>>& views, const Curve& curve) {
  const BentResults bent = bent_results(views, curve);
  const auto beyond = [&](double square, const CurveResult& result) {
    const double own = std::pow(result.sd(curve.covariance) / result.value, 2);
    return std::sqrt(std::max(0.0, square - own));
  };
  ResultDoubt doubt;
  doubt.stall = beyond(bent[0], stall_torque(curve));
  if (const auto top = no_load_speed(curve)) doubt.no_load = beyond(bent[1], *top);
  if (const auto peak = peak_power(curve)) {
    doubt.power = beyond(bent[2], peak->power);
    doubt.power_speed = beyond(bent[3], peak->speed);
  }
  return doubt;
}

// The same once more where another equation is taken, by the ways that count at all.
std::vector<std::vector<BentView>> views_with(const std::string& model, const RowsRead& read,
                                              const RunUpFit& best,
                                              const std::optional<OwnDrag>& own) {
  if (model == read.model) return views_of(read.ways);
  std::vector<std::vector<BentView>> views{bent_views(best)};
  const std::vector<double> shares = shares_of_ways(read.ways);
  for (std::size_t w = 0; w < read.ways.size(); ++w) {
    const WayRead& way = read.ways[w];
    if (way.reading == read.best || shares[w] < kHardly) continue;
    const RunUpFit fit = fit_run_ups_quickly(model, way.runs, own, best.solution.parameters);
    if (fit.usable) views.push_back(bent_views(fit));
  }
  return views;
}

// Equations that describe the run about as well, and other ways to read its rows. What comes of
// these, of bends and of leaving out the start (`of_start`) is one doubt, how the run began and
// what the equation makes of it: the largest counts.
void add_doubt_of_others(EquationDoubt& doubt, const EquationDoubt& of_start,
                         const std::vector<RunUpCandidate>& candidates, const Curve& curve,
                         const RowsRead& read, const std::optional<OwnDrag>& own) {
  std::vector<OtherCurve> equations;
  const RunUpCandidate& best = candidates.front();
  for (std::size_t i = 1; i < candidates.size(); ++i) {
    if (!candidates[i].fit.usable) continue;
    const double behind = std::max(0.0, candidates[i].tried.aicc - best.tried.aicc);
    const bool as_good = candidates[i].fit.speed_rms < kAsGood * best.fit.speed_rms;
    const std::string& name = candidates[i].tried.name;
    // One that holds this equation and more leaves open what this one pretends to know.
    const bool holds_it = motor_equation(name)->only_of_type && is_of_type(name, curve.model);
    equations.push_back({like(curve, candidates[i].fit, name),
                         as_good ? 1 : std::exp(-behind / 2 / kScoreCounts),
                         holds_it ? -1.0 : 1.0});
  }
  const ResultDoubt shape = doubt_between(curve, equations);
  const ResultDoubt bent = doubt_of_bends(views_with(curve.model, read, best.fit, own), curve);
  add_doubt(doubt, {std::max({shape.stall, bent.stall, of_start.stall}),
                    std::max({shape.no_load, bent.no_load, of_start.no_load}),
                    std::max({shape.power, bent.power, of_start.power}),
                    std::max({shape.power_speed, bent.power_speed, of_start.power_speed})});
}

// The curve is what accelerated rotor and disc; the disc's air cannot be told from the motor's own
// friction. Said where it is a noticeable part of the torque that is left at the highest speed.
void warn_of_windage(const MotorBench& bench, MotorFit& out) {
  constexpr double kNoticeable = 0.002;  // of the standstill torque
  double inertia = 0;
  for (const Readings& readings : bench.spin_ups)
    inertia = std::max(inertia, readings.run.inertia_kgm2.value_or(0) +
                                    readings.run.added_inertia_kgm2.value_or(0));
  const double speed = out.curve.speed_high;
  const double air = disc_windage(radius_of_steel_disc(inertia), speed);
  if (!(air > kNoticeable * out.curve.torque(0))) return;
  out.warnings.push_back(fmt::format(
      "The air that the disc moves is in the curve as if it were the motor's own friction: about "
      "{} mN·m at {} rpm, were it a steel disc 10 mm thick; without the disc the motor gives that "
      "much more.",
      significant(1e3 * air, 2), significant(rpm_from_rad_per_s(speed), 3)));
}

}  // namespace

MotorFit fit_by_spin_up(const Book& book, const MotorBench& bench, const Part& motor,
                        const MotorFitOptions& options) {
  if (options.model == "smooth")
    throw Error(Fault::kInput,
                fmt::format("motor '{}' has spin-ups only, and the smooth curve needs brake runs; "
                            "leave --model out or record loadline-logger record brake.",
                            motor.name));
  const double reference_v = reference_supply(bench, motor, options);
  std::vector<RunUp> runs;
  MotorFit out;
  out.warnings = bench.warnings;
  std::vector<const Readings*> seen;
  seen.reserve(bench.spin_ups.size());
  for (const Readings& readings : bench.spin_ups) seen.push_back(&readings);
  std::vector<std::string> names = models_to_try(options, motor, seen);
  const RowsRead read = read_rows(bench.spin_ups, reference_v, bench.own_drag, names);
  const RowReading reading = read.best;
  for (const Readings& readings : bench.spin_ups) {
    if (auto run = make_run_up(readings, reference_v, reading))
      runs.push_back(std::move(*run));
    else
      out.warnings.push_back(
          fmt::format("Run {} was left out: a spin-up needs the motor's speed from standstill up "
                      "and the inertia that is turned (--inertia-kgm2, --added-inertia-kgm2).",
                      readings.run.id));
  }
  for (const WayRead& way : read.ways)
    if (way.reading == reading && !runs.empty()) runs = way.runs;
  if (runs.empty())
    throw Error(Fault::kInput, fmt::format("motor '{}' has no usable spin-up: {}", motor.name,
                                           out.warnings.back()));
  std::vector<RunUpCandidate> candidates = try_run_ups(runs, bench.own_drag, names, read.known);
  if (!candidates.front().fit.usable)
    throw Error(Fault::kInput,
                fmt::format("no motor model describes the spin-ups of '{}'; check the inertia and "
                            "the units.",
                            motor.name));
  prefer_known(candidates, motor, lowest_share(runs));
  const auto more = further_of_the_kind(candidates.front().tried.name, names);
  if (!options.model && !more.empty()) {
    names.insert(names.end(), more.begin(), more.end());
    candidates = try_run_ups(runs, bench.own_drag, names, read.known);
    prefer_known(candidates, motor, lowest_share(runs));
  }
  for (const RunUpCandidate& c : candidates) out.models.push_back(c.tried);
  std::vector<std::int64_t> numbers;
  numbers.reserve(runs.size());
  for (const RunUp& run : runs) numbers.push_back(run.run);
  out.levels = add_levels(candidates.front().fit, session_numbers(book, motor, numbers));
  const RunUpFit& best = candidates.front().fit;
  const Curve as_run = curve_of(best, candidates.front().tried.name, reference_v);
  out.curve = as_run;
  if (options.at_winding_c) {
    move_to_winding(out.curve, winding_temperature(options), *options.at_winding_c);
    out.winding_c = options.at_winding_c;
  }
  out.residual_rms = best.speed_rms;
  out.speed_residuals = true;
  out.choice = reason_for(out.models, options, motor);
  EquationDoubt doubt = equation_doubt(out);
  const double slowest = out.curve.speed_low / out.curve.speed_high;
  EquationDoubt of_start{};
  add_doubt_of_start(of_start, best, as_run, bench.own_drag, kSlowPart, 1);
  // Leaving out that much, chance alone would often add something.
  add_doubt_of_start(of_start, best, as_run, bench.own_drag, slowest + kSlowPart, kByChance);
  add_doubt_of_others(doubt, of_start, candidates, as_run, read, bench.own_drag);
  out.budget = {line_of(out.curve, out.curve.covariance, "noise, inertia, warmth, scatter of runs"),
                equation_line(out, doubt)};
  open_up(out.curve, doubt);
  out.budget.push_back(line_of(out.curve, out.curve.covariance, "all together"));
  set_results(out);
  add_points(out, best);
  warn_of_windage(bench, out);
  const std::vector<RunLevel> levels = levels_of(runs);
  for (std::string& said : said_apart(levels)) out.warnings.push_back(std::move(said));
  out.not_described = too_far_apart(levels);
  if (out.not_described.empty()) out.not_described = undescribed_spin_up(out, motor);
  return out;
}

}  // namespace loadline
