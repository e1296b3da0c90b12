#include "fit/choose/next_run.h"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <random>
#include <set>

#include "fit/choose/drawer/choice_constants.h"
#include "fit/choose/judgement.h"
#include "fit/choose/workers.h"
#include "fit/solver/dense.h"

namespace loadline {
namespace {

constexpr std::size_t kMostContenders = 12;
constexpr std::size_t kMostProposals = 3;
constexpr Eigen::Index kOutcomes = 100;  // of the run, drawn
constexpr Eigen::Index kDrawsPerOutcome = 500;
constexpr std::uint64_t kSeed = 22;

// Contenders in every draw: speed, and the margins that are not met in all of them anyway.
struct Contenders {
  std::vector<const Choice*> choices;
  std::vector<Eigen::Index> first;  // column of each one's speed; its margins follow; one more
  Eigen::MatrixXd figures;          // draws × all their figures
};

Contenders contenders_of(const std::vector<Choice>& choices, const Eigen::MatrixXf& deviates) {
  Contenders found;
  for (const Choice& choice : choices)
    if (choice.right >= kLeastRight) found.choices.push_back(&choice);
  std::stable_sort(found.choices.begin(), found.choices.end(),
                   [](const Choice* a, const Choice* b) { return a->right > b->right; });
  if (found.choices.size() > kMostContenders) found.choices.resize(kMostContenders);
  std::vector<Eigen::VectorXf> columns;
  for (const Choice* choice : found.choices) {
    const Prediction& prediction = choice->prediction;
    found.first.push_back(static_cast<Eigen::Index>(columns.size()));
    for (Eigen::Index f = 0; f < prediction.values.size(); ++f)
      if (f == 0 || (prediction.values[f] < prediction.reach[f] &&
                     prediction.aims[static_cast<std::size_t>(f) - 1] != Aim::kStarts))
        columns.push_back(figure_in_draws(prediction, f, deviates));
  }
  found.first.push_back(static_cast<Eigen::Index>(columns.size()));
  found.figures.resize(deviates.rows(), found.first.back());
  for (std::size_t c = 0; c < columns.size(); ++c)
    found.figures.col(static_cast<Eigen::Index>(c)) = columns[c].cast<double>();
  return found;
}

// Highest share of rows in which one contender is right.
double most_right(const Contenders& contenders, const Eigen::MatrixXd& figures) {
  const std::size_t count = contenders.choices.size();
  Eigen::MatrixXd speeds(figures.rows(), static_cast<Eigen::Index>(count));
  for (std::size_t c = 0; c < count; ++c) {
    auto speed = speeds.col(static_cast<Eigen::Index>(c));
    speed = figures.col(contenders.first[c]);
    for (Eigen::Index f = contenders.first[c] + 1; f < contenders.first[c + 1]; ++f)
      for (Eigen::Index d = 0; d < speed.size(); ++d) speed[d] = figures(d, f) < 0 ? 0 : speed[d];
  }
  const Eigen::VectorXd best = speeds.rowwise().maxCoeff();
  double most = 0;
  for (Eigen::Index c = 0; c < speeds.cols(); ++c) {
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
        deviates_(predictor.joint().deviates()),
        contenders_(contenders_of(choices, deviates_)),
        now_(contenders_.choices.empty() ? 0 : most_right(contenders_, contenders_.figures)) {}

  std::vector<NextRun> best() const {
    const std::vector<Proposal> proposals = possible();
    std::vector<NextRun> runs;
    runs.reserve(proposals.size());
    for (const Proposal& one : proposals) runs.push_back(one.run);
    on_all_processors(runs.size(),
                      [&](std::size_t k, std::size_t) { judge(runs[k], *proposals[k].on, k); });
    std::erase_if(runs, [](const NextRun& run) { return run.gain < kLeastGain; });
    std::stable_sort(runs.begin(), runs.end(), [](const NextRun& a, const NextRun& b) {
      return a.gain / a.minutes > b.gain / b.minutes;
    });
    if (runs.size() > kMostProposals) runs.resize(kMostProposals);
    return runs;
  }

 private:
  using Random = std::mt19937_64;
  struct Proposal {
    NextRun run;
    const Choice* on;
  };

  std::vector<Proposal> possible() const {
    std::vector<Proposal> runs;
    std::set<std::size_t> motors;
    const auto add = [&](RunKind kind, const Choice& on) {
      runs.push_back({{kind, on.candidate, minutes_of(kind), 0, 0}, &on});
    };
    for (const Choice* choice : contenders_.choices) {
      const std::size_t motor = choice->candidate.motor;
      if (motors.insert(motor).second)
        add(drawer_.motors[motor].kind == RunKind::kSpinUp ? RunKind::kSpinUp : RunKind::kBrake,
            *choice);
      if (drawer_.mountings[choice->candidate.mounting].belt) add(RunKind::kTopSpeed, *choice);
    }
    if (!contenders_.choices.empty())
      add(drawer_.machine_kind == RunKind::kDriven ? RunKind::kDriven : RunKind::kCoastDown,
          *contenders_.choices.front());
    return runs;
  }

  void judge(NextRun& run, const Choice& on, std::size_t number) const {
    Random random(kSeed + number);
    const Eigen::MatrixXd y = standardised(seen_by(run, on, random));
    const Eigen::RowVectorXd middle = contenders_.figures.colwise().mean();
    const Eigen::MatrixXd centred = contenders_.figures.rowwise() - middle;
    Eigen::MatrixXd slope = least_squares(y, centred);
    if (run.kind == RunKind::kTopSpeed) keep_to_its_own(on, slope);
    const Eigen::MatrixXd left = centred - y * slope;  // what stays open, whatever is seen
    const Eigen::Index every = std::max<Eigen::Index>(1, left.rows() / kDrawsPerOutcome);
    Eigen::MatrixXd thinned((left.rows() + every - 1) / every, left.cols());
    for (Eigen::Index d = 0; d < thinned.rows(); ++d) thinned.row(d) = left.row(d * every);
    double right = 0;
    for (Eigen::Index k = 0; k < kOutcomes; ++k) {
      const Eigen::Index outcome = (2 * k + 1) * y.rows() / (2 * kOutcomes);
      const Eigen::RowVectorXd then = middle + y.row(outcome) * slope;
      const double most = most_right(contenders_, thinned.rowwise() + then);
      right += most / kOutcomes;
      run.settles += (most >= kSure ? 1.0 : 0.0) / kOutcomes;
    }
    run.gain = right - now_;
  }

  // A top speed tells what its belt wastes with its motor (as drawer.cc reads it); other candidates
  // are predicted as before.
  void keep_to_its_own(const Choice& on, Eigen::MatrixXd& slope) const {
    const auto belt = [&](const Choice& choice) {
      return drawer_.mountings[choice.candidate.mounting].belt;
    };
    for (std::size_t c = 0; c < contenders_.choices.size(); ++c) {
      const Choice& other = *contenders_.choices[c];
      if (other.candidate.motor == on.candidate.motor && belt(other) == belt(on)) continue;
      const Eigen::Index columns = contenders_.first[c + 1] - contenders_.first[c];
      slope.middleCols(contenders_.first[c], columns).setZero();
    }
  }

  Eigen::MatrixXd seen_by(const NextRun& run, const Choice& on, Random& random) const {
    if (run.kind == RunKind::kTopSpeed) return top_speed_seen(on.prediction, random);
    if (run.kind == RunKind::kCoastDown || run.kind == RunKind::kDriven)
      return curve_seen(predictor_.machine_places(), kDragOfTheRun, drawer_.machine_runs, random);
    const DrawerMotor& motor = drawer_.motors[run.on.motor];
    return curve_seen(predictor_.motor_places(run.on.motor), motor.of_the_run, motor.runs, random);
  }

  static Eigen::MatrixXd standardised(const Eigen::MatrixXd& seen) {
    Eigen::MatrixXd y = seen.rowwise() - seen.colwise().mean();
    for (Eigen::Index k = 0; k < y.cols(); ++k)
      if (const double length = y.col(k).norm(); length > 0)
        y.col(k) *= std::sqrt(static_cast<double>(y.rows())) / length;
    return y;
  }

  // Rows of a block of inputs in another order: the same distribution, independent of everything.
  static Eigen::MatrixXd elsewhere(const Eigen::MatrixXd& block, Random& random) {
    std::vector<Eigen::Index> order(static_cast<std::size_t>(block.rows()));
    std::iota(order.begin(), order.end(), 0);
    std::shuffle(order.begin(), order.end(), random);
    return block(order, Eigen::all);
  }

  // The run's own part of the curve's deviates, of which it is the share and which `runs` runs have
  // brought down to what it is, seen once more with the noise of one run.
  Eigen::MatrixXd curve_seen(std::pair<int, int> places, double share, std::size_t runs,
                             Random& random) const {
    const Eigen::MatrixXd own = deviates_.middleCols(places.first, places.second).cast<double>();
    const double noise = std::sqrt(static_cast<double>(runs) * share);
    return share * own + std::sqrt(share * (1 - share)) * elsewhere(own, random) +
           noise * elsewhere(own, random);
  }

  // How one run's speed repeats, as a part of it: from the runs that there are (share_scatter).
  Uncertain one_run() const {
    if (drawer_.seen.empty()) return {1, kSpeedOfOneRun, kUsualFreedom};
    const BeltRuns& any = drawer_.seen.front();
    const Uncertain& speed = any.seen.motor_speed;
    return {1, speed.sd / speed.value * std::sqrt(static_cast<double>(any.sightings.size())),
            speed.degrees_of_freedom};
  }

  Eigen::MatrixXd top_speed_seen(const Prediction& prediction, Random& random) const {
    Eigen::MatrixXd seen = Eigen::MatrixXd::Zero(deviates_.rows(), 2);
    for (std::size_t k = 0; k < prediction.places.size(); ++k) {
      const auto place = static_cast<Eigen::Index>(k);
      const Eigen::VectorXd deviate = deviates_.col(prediction.places[k]).cast<double>();
      seen.col(0) += prediction.by(place, 0) * deviate;
      seen.col(1) += prediction.motor_speed_by[place] * deviate;
    }
    // Both speeds wander together from run to run; one against the other is known far better.
    const Uncertain repeats = one_run();
    std::normal_distribution<double> normal;
    std::student_t_distribution<double> student(repeats.degrees_of_freedom);
    for (Eigen::Index d = 0; d < seen.rows(); ++d) {
      const double run = repeats.sd * student(random);
      seen(d, 0) += prediction.values[0] * run;
      seen(d, 1) += prediction.motor_speed * (run + kQuotientOfOneRun * normal(random));
    }
    return seen;
  }

  const Drawer& drawer_;
  const Predictor& predictor_;
  const Eigen::MatrixXf& deviates_;
  Contenders contenders_;
  double now_;
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
