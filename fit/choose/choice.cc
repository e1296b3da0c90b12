#include "fit/choose/choice.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <thread>
#include <tuple>

#include "db/basis/error.h"
#include "db/basis/units.h"
#include "fit/choose/judgement.h"
#include "fit/choose/next_run.h"

namespace loadline {

Eigen::MatrixXd figures_in_draws(const Prediction& prediction, const Eigen::MatrixXd& deviations) {
  const Eigen::Index figures = prediction.values.size();
  Eigen::MatrixXd all(deviations.rows(), figures);
  for (Eigen::Index f = 0; f < figures; ++f) {
    all.col(f).setConstant(prediction.values[f]);
    for (std::size_t k = 0; k < prediction.places.size(); ++k)
      if (const double by = prediction.by(static_cast<Eigen::Index>(k), f); by != 0)
        all.col(f) += by * deviations.col(prediction.places[k]);
  }
  return all;
}

Eigen::VectorXd speed_where_met(const Prediction& prediction, const Eigen::MatrixXd& figures) {
  Eigen::VectorXd speed = Eigen::VectorXd::Zero(figures.rows());
  if (!prediction.runs()) return speed;
  for (Eigen::Index d = 0; d < figures.rows(); ++d)
    if (figures(d, 0) > 0 && figures.row(d).tail(figures.cols() - 1).minCoeff() >= 0)
      speed[d] = figures(d, 0);
  return speed;
}

namespace {

// Calls work(k) for k = 0 … count − 1 on all processors; `worker` numbers them.
void on_all_processors(std::size_t count,
                       const std::function<void(std::size_t k, std::size_t worker)>& work,
                       std::size_t workers) {
  std::vector<std::thread> threads;
  std::vector<std::exception_ptr> faults(workers);
  for (std::size_t worker = 0; worker < workers; ++worker)
    threads.emplace_back([&, worker] {
      try {
        for (std::size_t k = worker; k < count; k += workers) work(k, worker);
      } catch (...) {
        faults[worker] = std::current_exception();
      }
    });
  for (std::thread& thread : threads) thread.join();
  for (const std::exception_ptr& fault : faults)
    if (fault) std::rethrow_exception(fault);
}

// No draw meets an aim that even the most favourable sum of all deviations would miss.
bool hopeless(const Prediction& prediction, const Eigen::VectorXd& farthest) {
  if (!prediction.runs()) return true;
  for (Eigen::Index f = 1; f < prediction.values.size(); ++f) {
    double most = prediction.values[f];
    for (std::size_t k = 0; k < prediction.places.size(); ++k)
      most += std::fabs(prediction.by(static_cast<Eigen::Index>(k), f)) *
              farthest[prediction.places[k]];
    if (most < 0) return true;
  }
  return false;
}

class Judge {
 public:
  Judge(const Drawer& drawer, const Aims& aims, const ChoiceOptions& options)
      : drawer_(drawer),
        predictor_(drawer, aims, options.draws, options.seed),
        deviations_(predictor_.joint().deviations()),
        farthest_(deviations_.cwiseAbs().colwise().maxCoeff()),
        workers_(std::clamp<std::size_t>(std::thread::hardware_concurrency(), 1, 8)) {
    result_.warnings = predictor_.warnings();
    result_.draws = options.draws;
    result_.seed = options.seed;
  }

  DrawerChoice judge() {
    predict_all();
    rank();
    count_right();
    put_lead();
    if (!result_.choices.empty()) result_.settled = result_.choices.front().right >= kSure;
    if (!result_.enough()) result_.next = next_runs(drawer_, predictor_, result_.choices);
    return std::move(result_);
  }

 private:
  void predict_all() {
    std::vector<Choice>& choices = result_.choices;
    choices.resize(drawer_.candidates.size());
    std::vector<Eigen::VectorXd> best(workers_, Eigen::VectorXd::Zero(deviations_.rows()));
    const auto work = [&](std::size_t k, std::size_t worker) {
      Choice& choice = choices[k];
      choice.candidate = drawer_.candidates[k];
      choice.prediction = predictor_.predict(choice.candidate);
      note_missed(choice);
      if (hopeless(choice.prediction, farthest_)) return;
      const Eigen::MatrixXd figures = figures_in_draws(choice.prediction, deviations_);
      count_missed(choice, figures);
      const Eigen::VectorXd speed = speed_where_met(choice.prediction, figures);
      choice.chance = (speed.array() > 0).cast<double>().mean();
      best[worker] = best[worker].cwiseMax(speed);
    };
    on_all_processors(choices.size(), work, workers_);
    best_ = Eigen::VectorXd::Zero(deviations_.rows());
    for (const Eigen::VectorXd& one : best) best_ = best_.cwiseMax(one);
    result_.nothing_will_do = (best_.array() == 0).cast<double>().mean();
  }

  // By the best estimates alone, for those that no draw saves.
  static void note_missed(Choice& choice) {
    const Prediction& prediction = choice.prediction;
    for (std::size_t a = 0; a < prediction.aims.size(); ++a)
      if (prediction.values[static_cast<Eigen::Index>(a) + 1] < 0 && !choice.missed) {
        choice.missed = prediction.aims[a];
        choice.missed_share = 1;
      }
  }

  static void count_missed(Choice& choice, const Eigen::MatrixXd& figures) {
    choice.missed.reset();
    choice.missed_share = 0;
    for (std::size_t a = 0; a < choice.prediction.aims.size(); ++a) {
      const double share =
          (figures.col(static_cast<Eigen::Index>(a) + 1).array() < 0).cast<double>().mean();
      if (share <= choice.missed_share) continue;
      choice.missed = choice.prediction.aims[a];
      choice.missed_share = share;
    }
  }

  void rank() {
    const auto key = [](const Choice& choice) {
      const double speed = choice.prediction.runs() ? choice.prediction.values[0] : 0;
      const double percent = std::floor(100 * choice.chance) / 100;
      return std::tuple(-std::min(percent, kSure), -speed);
    };
    std::stable_sort(result_.choices.begin(), result_.choices.end(),
                     [&](const Choice& a, const Choice& b) { return key(a) < key(b); });
  }

  void count_right() {
    const auto work = [&](std::size_t k, std::size_t) {
      Choice& choice = result_.choices[k];
      if (choice.chance == 0) return;
      const Eigen::VectorXd speed =
          speed_where_met(choice.prediction, figures_in_draws(choice.prediction, deviations_));
      Eigen::Index right = 0;
      for (Eigen::Index d = 0; d < speed.size(); ++d) right += is_right(speed[d], best_[d]);
      choice.right = static_cast<double>(right) / static_cast<double>(speed.size());
    };
    on_all_processors(result_.choices.size(), work, workers_);
  }

  void put_lead() {
    if (result_.choices.size() < 2) return;
    const Prediction &first = result_.choices[0].prediction,
                     &second = result_.choices[1].prediction;
    if (!first.runs() || !second.runs()) return;
    SparseBy by;
    const auto add = [&](const Prediction& prediction, double sign) {
      for (std::size_t k = 0; k < prediction.places.size(); ++k)
        by.add(prediction.places[k], sign * prediction.by(static_cast<Eigen::Index>(k), 0));
    };
    add(first, 1);
    add(second, -1);
    result_.lead = predictor_.joint().estimate(first.values[0] - second.values[0], by,
                                               rpm_from_rad_per_s(1), "rpm");
  }

  const Drawer& drawer_;
  Predictor predictor_;
  const Eigen::MatrixXd& deviations_;
  Eigen::VectorXd farthest_;
  std::size_t workers_;
  Eigen::VectorXd best_;  // top speed of the best that meets the aims, by draw; 0: none does
  DrawerChoice result_;
};

}  // namespace

DrawerChoice choose(const Drawer& drawer, const Aims& aims, const ChoiceOptions& options) {
  return Judge(drawer, aims, options).judge();
}

}  // namespace loadline
