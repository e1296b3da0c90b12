#include "fit/choose/next_run.h"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <random>
#include <set>

#include "fit/choose/judgement.h"

namespace loadline {
namespace {

constexpr std::size_t kMostContenders = 12;
constexpr std::size_t kMostProposals = 3;
constexpr double kLeastRight = 0.02;     // less likely to be right: no contender
constexpr double kLeastGain = 0.005;     // less is no reason to record anything
constexpr Eigen::Index kOutcomes = 100;  // of the run, drawn
constexpr Eigen::Index kDrawsPerOutcome = 500;
constexpr std::uint64_t kSeed = 22;

// Another pair of coast-downs, or driven run, has this part of the drag's variance afresh; the rest
// is what digits, clocks and ripple leave open in each (drag_fit.cc). A guess between the two ends.
constexpr double kDragOfTheRun = 0.5;

// Contenders in every draw: what each needs to be judged.
struct Contenders {
  std::vector<const Choice*> choices;
  std::vector<Eigen::Index> first;  // column of each one's first figure
  Eigen::MatrixXd figures;          // draws × all their figures
};

Contenders contenders_of(const std::vector<Choice>& choices, const Eigen::MatrixXd& deviations) {
  Contenders found;
  for (const Choice& choice : choices)
    if (choice.right >= kLeastRight) found.choices.push_back(&choice);
  std::stable_sort(found.choices.begin(), found.choices.end(),
                   [](const Choice* a, const Choice* b) { return a->right > b->right; });
  if (found.choices.size() > kMostContenders) found.choices.resize(kMostContenders);
  Eigen::Index columns = 0;
  for (const Choice* choice : found.choices) {
    found.first.push_back(columns);
    columns += choice->prediction.values.size();
  }
  found.figures.resize(deviations.rows(), columns);
  for (std::size_t c = 0; c < found.choices.size(); ++c)
    found.figures.middleCols(found.first[c], found.choices[c]->prediction.values.size()) =
        figures_in_draws(found.choices[c]->prediction, deviations);
  return found;
}

// Highest share of rows in which one contender is right.
double most_right(const Contenders& contenders, const Eigen::MatrixXd& figures) {
  const auto count = static_cast<Eigen::Index>(contenders.choices.size());
  Eigen::MatrixXd speeds(figures.rows(), count);
  for (Eigen::Index c = 0; c < count; ++c) {
    const Prediction& prediction = contenders.choices[static_cast<std::size_t>(c)]->prediction;
    speeds.col(c) = speed_where_met(
        prediction, figures.middleCols(contenders.first[static_cast<std::size_t>(c)],
                                       prediction.values.size()));
  }
  const Eigen::VectorXd best = speeds.rowwise().maxCoeff();
  double most = 0;
  for (Eigen::Index c = 0; c < count; ++c) {
    Eigen::Index right = 0;
    for (Eigen::Index d = 0; d < speeds.rows(); ++d) right += is_right(speeds(d, c), best[d]);
    most = std::max(most, static_cast<double>(right) / static_cast<double>(speeds.rows()));
  }
  return most;
}

class Bench {
 public:
  Bench(const Drawer& drawer, const Predictor& predictor, const std::vector<Choice>& choices)
      : drawer_(drawer),
        predictor_(predictor),
        deviations_(predictor.joint().deviations()),
        contenders_(contenders_of(choices, deviations_)),
        now_(contenders_.choices.empty() ? 0 : most_right(contenders_, contenders_.figures)) {}

  std::vector<NextRun> best() {
    std::vector<NextRun> runs;
    std::set<std::size_t> motors;
    for (const Choice* choice : contenders_.choices) {
      if (motors.insert(choice->candidate.motor).second) runs.push_back(motor_run(*choice));
      if (drawer_.mountings[choice->candidate.mounting].belt) runs.push_back(top_speed(*choice));
    }
    if (!contenders_.choices.empty()) runs.push_back(machine_run());
    std::erase_if(runs, [](const NextRun& run) { return run.gain < kLeastGain; });
    std::stable_sort(runs.begin(), runs.end(), [](const NextRun& a, const NextRun& b) {
      return a.gain / a.minutes > b.gain / b.minutes;
    });
    if (runs.size() > kMostProposals) runs.resize(kMostProposals);
    return runs;
  }

 private:
  NextRun judged(RunKind kind, const Candidate& on, const Eigen::MatrixXd& seen) {
    NextRun run{kind, on, minutes_of(kind), 0, 0};
    const Eigen::MatrixXd y = standardised(seen);
    const Eigen::RowVectorXd middle = contenders_.figures.colwise().mean();
    const Eigen::MatrixXd centred = contenders_.figures.rowwise() - middle;
    const Eigen::MatrixXd slope = Eigen::ColPivHouseholderQR<Eigen::MatrixXd>(y).solve(centred);
    const Eigen::MatrixXd left = centred - y * slope;  // what stays open, whatever is seen
    const Eigen::Index every = std::max<Eigen::Index>(1, left.rows() / kDrawsPerOutcome);
    Eigen::MatrixXd thinned((left.rows() + every - 1) / every, left.cols());
    for (Eigen::Index d = 0; d < thinned.rows(); ++d) thinned.row(d) = left.row(d * every);
    double settled = 0, right = 0;
    for (Eigen::Index k = 0; k < kOutcomes; ++k) {
      const Eigen::Index outcome = (2 * k + 1) * y.rows() / (2 * kOutcomes);
      const Eigen::RowVectorXd then = middle + y.row(outcome) * slope;
      const double most = most_right(contenders_, thinned.rowwise() + then);
      right += most / kOutcomes;
      settled += (most >= kSure ? 1.0 : 0.0) / kOutcomes;
    }
    run.settles = settled;
    run.gain = right - now_;
    return run;
  }

  static Eigen::MatrixXd standardised(const Eigen::MatrixXd& seen) {
    Eigen::MatrixXd y = seen.rowwise() - seen.colwise().mean();
    for (Eigen::Index k = 0; k < y.cols(); ++k)
      if (const double length = y.col(k).norm(); length > 0)
        y.col(k) *= std::sqrt(static_cast<double>(y.rows())) / length;
    return y;
  }

  // Rows of a block of inputs in another order: the same distribution, independent of everything.
  Eigen::MatrixXd elsewhere(const Eigen::MatrixXd& block) {
    std::vector<Eigen::Index> order(static_cast<std::size_t>(block.rows()));
    std::iota(order.begin(), order.end(), 0);
    std::shuffle(order.begin(), order.end(), random_);
    return block(order, Eigen::all);
  }

  // The run's own part r of the curve's deviation δ, of which φ is the share and which `runs` runs
  // have brought down to what it is, seen once more with the noise of one run.
  Eigen::MatrixXd curve_seen(std::pair<int, int> places, double share, std::size_t runs) {
    const Eigen::MatrixXd own = deviations_.middleCols(places.first, places.second);
    const double noise = std::sqrt(static_cast<double>(runs) * share);
    return share * own + std::sqrt(share * (1 - share)) * elsewhere(own) + noise * elsewhere(own);
  }

  NextRun motor_run(const Choice& choice) {
    const DrawerMotor& motor = drawer_.motors[choice.candidate.motor];
    return judged(
        motor.kind == RunKind::kSpinUp ? RunKind::kSpinUp : RunKind::kBrake, choice.candidate,
        curve_seen(predictor_.motor_places(choice.candidate.motor), motor.of_the_run, motor.runs));
  }

  NextRun machine_run() {
    return judged(drawer_.machine_kind == RunKind::kDriven ? RunKind::kDriven : RunKind::kCoastDown,
                  contenders_.choices.front()->candidate,
                  curve_seen(predictor_.machine_places(), kDragOfTheRun, drawer_.machine_runs));
  }

  NextRun top_speed(const Choice& choice) {
    const Prediction& prediction = choice.prediction;
    Eigen::MatrixXd seen(deviations_.rows(), 2);
    std::normal_distribution<double> normal;
    for (Eigen::Index d = 0; d < seen.rows(); ++d) {
      double wheel = 0, motor = 0;
      for (std::size_t k = 0; k < prediction.places.size(); ++k) {
        const auto place = static_cast<Eigen::Index>(k);
        wheel += prediction.by(place, 0) * deviations_(d, prediction.places[k]);
        motor += prediction.motor_speed_by[place] * deviations_(d, prediction.places[k]);
      }
      // Both speeds wander together from run to run; one against the other is known far better.
      const double run = kSpeedOfOneRun * normal(random_);
      seen(d, 0) = wheel + prediction.values[0] * run;
      seen(d, 1) = motor + prediction.motor_speed * (run + kQuotientOfOneRun * normal(random_));
    }
    return judged(RunKind::kTopSpeed, choice.candidate, seen);
  }

  const Drawer& drawer_;
  const Predictor& predictor_;
  const Eigen::MatrixXd& deviations_;
  Contenders contenders_;
  double now_;
  std::mt19937_64 random_{kSeed};
};

}  // namespace

double minutes_of(RunKind kind) {
  switch (kind) {
    case RunKind::kBrake:
      return 8;
    case RunKind::kSpinUp:
    case RunKind::kTopSpeed:
      return 6;
    case RunKind::kCoastDown:
    case RunKind::kDriven:
      return 10;
    case RunKind::kNoLoad:
    case RunKind::kSlipCheck:
      break;
  }
  return 3;
}

std::vector<NextRun> next_runs(const Drawer& drawer, const Predictor& predictor,
                               const std::vector<Choice>& choices) {
  return Bench(drawer, predictor, choices).best();
}

}  // namespace loadline
