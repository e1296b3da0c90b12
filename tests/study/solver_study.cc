// Which least-squares search for the passes of a fit? Ours and those of Ceres side by side, on
// NIST's 54 starts and on the problems of simulated sessions as the fits pose them: each search
// begins at the fit's own starts, with the noise that the fit ended with.
//
//   solver_study [sessions of each kind]
//
// A search has arrived where its sum of squares is within 1e-4 of the least that any of them found
// from any start of that problem (NIST: of the certified one). Seeds 71001 on. The table, and what
// it decided, is in README.md.
#include <fmt/format.h>

#include <cstdlib>
#include <ctime>
#include <optional>

#include "fit/brake_runs/sweep_fit.h"
#include "fit/coast_downs/coast_fit.h"
#include "fit/motor_runs/motor_bench.h"
#include "fit/solver/nonlinear.h"
#include "fit/solver/search.h"
#include "tests/reference/nist_nonlinear.h"
#include "tests/study/session.h"

namespace {

using Eigen::VectorXd;
using loadline::Method;
using loadline::Residuals;
using loadline::SearchLimits;
using loadline::study::Kind;
using loadline::study::Session;

/// Counts what a search asks for.
class Counted final : public Residuals {
 public:
  explicit Counted(const Residuals& of) : of_(of) {}
  int count() const override { return of_.count(); }
  int parameters() const override { return of_.parameters(); }
  bool evaluate(const double* p, double* r, double* jacobian) const override {
    ++evaluations;
    return of_.evaluate(p, r, jacobian);
  }
  mutable int evaluations = 0;

 private:
  const Residuals& of_;
};

struct Way {
  std::string name;
  std::optional<Method> ceres;
  bool geodesic = false;
};

std::vector<Way> ways() {
  return {{"ours", {}, false},
          {"ours with geodesic acceleration", {}, true},
          {"Ceres by QR", Method::kLevenbergMarquardt},
          {"Ceres on the normal equations", Method::kNormalEquations},
          {"Ceres, not monotonic", Method::kNonmonotonic},
          {"Ceres, dogleg in the subspace", Method::kDogleg}};
}

struct Run {
  double rss = 0, cpu_ms = 0;
  int evaluations = 0;
};

double rss_of(const Residuals& problem, const VectorXd& start, const Way& way,
              const SearchLimits& limits) {
  if (way.ceres)
    return loadline::search_from(problem, start, *way.ceres, limits).residuals.squaredNorm();
  return loadline::quick_fit(problem, start,
                             {.max_iterations = limits.max_iterations,
                              .tolerance = limits.function_tolerance,
                              .geodesic = way.geodesic})
      .rss;
}

Run run(const Residuals& residuals, const VectorXd& start, const Way& way,
        const SearchLimits& limits) {
  const Counted problem(residuals);
  const std::clock_t before = std::clock();
  const double rss = rss_of(problem, start, way, limits);
  return {rss, 1e3 * static_cast<double>(std::clock() - before) / CLOCKS_PER_SEC,
          problem.evaluations};
}

struct Score {
  int searches = 0, arrived = 0, problems = 0, solved = 0;
  double cpu_ms = 0;
  int evaluations = 0;
};

/// Scores of one kind of problem, in the order of ways().
class Table {
 public:
  Table(std::string name, SearchLimits limits)
      : name_(std::move(name)), limits_(limits), scores_(ways().size()) {}

  /// Searches from each start; `certified` < 0: the least that was found.
  void add(const Residuals& problem, const std::vector<VectorXd>& starts, double certified = -1) {
    std::vector<std::vector<Run>> runs;
    double least = certified < 0 ? 1e300 : certified;
    for (const Way& way : ways()) {
      runs.emplace_back();
      for (const VectorXd& start : starts) {
        runs.back().push_back(run(problem, start, way, limits_));
        if (certified < 0) least = std::min(least, runs.back().back().rss);
      }
    }
    for (std::size_t w = 0; w < runs.size(); ++w) {
      Score& score = scores_[w];
      int arrived = 0;
      for (const Run& one : runs[w]) {
        arrived += one.rss <= least * (1 + 1e-4);
        score.cpu_ms += one.cpu_ms;
        score.evaluations += one.evaluations;
      }
      score.searches += static_cast<int>(starts.size());
      score.arrived += arrived;
      ++score.problems;
      score.solved += arrived > 0;
    }
  }

  void print() const {
    const auto all = ways();
    for (std::size_t w = 0; w < all.size(); ++w) {
      const Score& s = scores_[w];
      fmt::print("| {} | {} | {} of {} | {} of {} | {:.1f} | {:.2f} |\n", name_, all[w].name,
                 s.arrived, s.searches, s.solved, s.problems,
                 static_cast<double>(s.evaluations) / s.searches, s.cpu_ms / s.searches);
    }
  }

 private:
  std::string name_;
  SearchLimits limits_;
  std::vector<Score> scores_;
};

void nist() {
  Table table("NIST, far and near starts", {2000, 1e-14, 1e-15});
  for (const auto& one : loadline::reference::nist_problems()) {
    const auto set = loadline::reference::read_nist_nonlinear(one.name);
    const auto residuals = one.residuals(set);
    for (const auto& start : set.start)
      // Sums of squares of Lanczos1 are rounding: let them be.
      table.add(*residuals, {Eigen::Map<const VectorXd>(start.data(), std::ssize(start))},
                std::max(set.certified_rss, 1e-20));
  }
  table.print();
}

void brake(int sessions) {
  Table first("brake runs, from the starts of a shape", {300, 1e-6, 1e-15});
  Table last("brake runs, the last fit", {100, 1e-14, 1e-15});
  for (int i = 0; i < sessions; ++i) {
    const Session session(Kind::kBrake, 71001 + static_cast<std::uint64_t>(i));
    loadline::MotorFitOptions options;
    const auto bench = loadline::motor_bench(session.book(), session.motor(), options);
    loadline::SweepFitInput input;
    for (const auto& run : bench.brake) input.runs.push_back(run.get());
    input.no_load = bench.no_load;
    input.own_drag = bench.own_drag;
    input.reference_v = loadline::reference_supply(bench, session.motor(), options);
    for (const char* model : {"series", "permanent-magnet", "induction"}) {
      const auto fit = loadline::fit_sweeps(model, input);
      if (!fit->usable) continue;
      std::vector<VectorXd> starts;
      for (const VectorXd& start : fit->shape->starts()) {
        starts.push_back(VectorXd::Zero(fit->problem->parameters()));
        starts.back().head(fit->shape->size()) = start;
      }
      first.add(*fit->problem, starts);
      last.add(*fit->problem, {fit->solution.parameters});
    }
  }
  first.print();
  last.print();
}

void coasts(int sessions) {
  Table plain("coast-down pairs, drag alone", {40, 1e-7, 1e-15});
  Table ripple("coast-down pairs, with ripple", {40, 1e-7, 1e-15});
  for (int i = 0; i < sessions; ++i) {
    const Session session(Kind::kCoastPair, 71001 + static_cast<std::uint64_t>(i));
    std::vector<loadline::Coast> coasts;
    for (const auto& played : session.runs())
      if (auto coast =
              loadline::make_coast(loadline::load_readings(session.book(), played.run), false))
        coasts.push_back(std::move(*coast));
    double unit = 0;
    for (const auto& coast : coasts) unit = std::max(unit, coast.added_kgm2);
    for (const bool with : {false, true}) {
      const auto fit = loadline::fit_coasts(coasts, {.ripple = with}, unit, {}, nullptr);
      if (fit->usable) (with ? ripple : plain).add(*fit->problem, {fit->problem->start()});
    }
  }
  plain.print();
  ripple.print();
}

}  // namespace

int main(int argc, char** argv) {
  const int sessions = argc > 1 ? std::atoi(argv[1]) : 5;
  fmt::print("| problem | search | arrived | solved from a start | evaluations | ms |\n");
  fmt::print("| --- | --- | --- | --- | --- | --- |\n");
  nist();
  brake(sessions);
  coasts(sessions);
}
