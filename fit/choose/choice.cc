#include "fit/choose/choice.h"

#include <algorithm>
#include <cmath>
#include <tuple>

#include "db/basis/error.h"
#include "db/basis/units.h"
#include "fit/choose/drawer/choice_constants.h"
#include "fit/choose/judgement.h"
#include "fit/choose/next_run.h"
#include "fit/choose/workers.h"

namespace loadline {

Eigen::VectorXf figure_in_draws(const Prediction& prediction, Eigen::Index figure,
                                const Eigen::MatrixXf& deviates) {
  constexpr Eigen::Index kBlock = 1024;  // rows that stay in the processor's nearest memory
  Eigen::VectorXf all(deviates.rows());
  for (Eigen::Index row = 0; row < all.size(); row += kBlock) {
    const Eigen::Index rows = std::min(kBlock, all.size() - row);
    auto block = all.segment(row, rows);
    block.setConstant(static_cast<float>(prediction.values[figure]));
    for (std::size_t k = 0; k < prediction.places.size(); ++k)
      if (const double by = prediction.by(static_cast<Eigen::Index>(k), figure); by != 0)
        block += static_cast<float>(by) * deviates.col(prediction.places[k]).segment(row, rows);
  }
  return all;
}

namespace {

// One candidate's aims in every draw.
struct Met {
  Eigen::VectorXf draws;  // 1 where they are met, else 0; empty: in all or in none
  bool all = false;
};

double mean_of(const Eigen::VectorXf& values) { return values.cast<double>().mean(); }

class Judge {
 public:
  Judge(const Drawer& drawer, const Aims& aims, const ChoiceOptions& options)
      : drawer_(drawer),
        predictor_(drawer, aims, options.draws, options.seed),
        deviates_(predictor_.joint().deviates()) {
    result_.warnings = predictor_.warnings();
    result_.draws = options.draws;
    result_.seed = options.seed;
  }

  DrawerChoice judge() {
    predict_all();
    find_best();
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
    const auto work = [&](std::size_t k, std::size_t) {
      Choice& choice = choices[k];
      choice.candidate = drawer_.candidates[k];
      choice.prediction = predictor_.predict(choice.candidate);
      const Met met = met_by(choice);
      choice.chance = met.draws.size() ? mean_of(met.draws) : met.all ? 1 : 0;
    };
    on_all_processors(choices.size(), work);
  }

  // In which draws a candidate meets its aims; notes the one that it misses most often. What no
  // draw can reach is not drawn.
  Met met_by(Choice& choice) const {
    const Prediction& prediction = choice.prediction;
    Met met;
    choice.missed.reset();
    choice.missed_share = 0;
    const auto note = [&](Eigen::Index figure, double share) {
      if (share <= choice.missed_share) return;
      choice.missed = prediction.aims[static_cast<std::size_t>(figure) - 1];
      choice.missed_share = share;
    };
    if (!prediction.runs()) {
      for (Eigen::Index f = 1; f < prediction.values.size(); ++f)
        if (prediction.values[f] < 0) note(f, 1);
      return met;
    }
    for (Eigen::Index f = 1; f < prediction.values.size(); ++f)
      if (prediction.values[f] + prediction.reach[f] < 0) note(f, 1);
    if (choice.missed) return met;
    met.all = true;
    for (Eigen::Index f = 1; f < prediction.values.size(); ++f) {
      if (prediction.values[f] - prediction.reach[f] >= 0) continue;
      if (prediction.aims[static_cast<std::size_t>(f) - 1] == Aim::kStarts) continue;
      Eigen::VectorXf here = figure_in_draws(prediction, f, deviates_);
      for (float& x : here) x = x >= 0 ? 1.0F : 0.0F;
      note(f, 1 - mean_of(here));
      met.draws = met.draws.size() ? here.cwiseProduct(met.draws).eval() : here;
    }
    return met;
  }

  // Top speed where the aims are met, else 0.
  Eigen::VectorXf speed_of(Choice& choice) const {
    const Met met = met_by(choice);
    if (!met.all) return Eigen::VectorXf::Zero(deviates_.rows());
    Eigen::VectorXf speed = figure_in_draws(choice.prediction, 0, deviates_).cwiseMax(0);
    if (met.draws.size()) speed = speed.cwiseProduct(met.draws).eval();
    return speed;
  }

  // A speed that some candidate passes in every draw while it meets its aims: what stays below is
  // the best in none.
  double sure_speed() const {
    double most = 0;
    for (const Choice& choice : result_.choices) {
      const Prediction& prediction = choice.prediction;
      if (choice.chance == 1) most = std::max(most, prediction.values[0] - prediction.reach[0]);
    }
    return most;
  }

  bool may_pass(const Choice& choice, double speed) const {
    return choice.chance > 0 && choice.prediction.values[0] + choice.prediction.reach[0] >= speed;
  }

  void find_best() {
    std::vector<Eigen::VectorXf> best(workers_here(), Eigen::VectorXf::Zero(deviates_.rows()));
    const double sure = sure_speed();
    const auto work = [&](std::size_t k, std::size_t worker) {
      if (may_pass(result_.choices[k], sure))
        best[worker] = best[worker].cwiseMax(speed_of(result_.choices[k]));
    };
    on_all_processors(result_.choices.size(), work);
    best_ = Eigen::VectorXf::Zero(deviates_.rows());
    for (const Eigen::VectorXf& one : best) best_ = best_.cwiseMax(one);
    result_.nothing_will_do = (best_.array() == 0).cast<double>().mean();
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
    const double least = (1 - kWorthOfSpeed) * best_.minCoeff();
    const auto work = [&](std::size_t k, std::size_t) {
      Choice& choice = result_.choices[k];
      if (!may_pass(choice, least)) return;
      const Eigen::VectorXf speed = speed_of(choice);
      Eigen::Index right = 0;
      for (Eigen::Index d = 0; d < speed.size(); ++d) right += is_right(speed[d], best_[d]);
      choice.right = static_cast<double>(right) / static_cast<double>(speed.size());
    };
    on_all_processors(result_.choices.size(), work);
  }

  void put_lead() {
    if (result_.choices.size() < 2) return;
    const Prediction &first = result_.choices[0].prediction,
                     &second = result_.choices[1].prediction;
    if (!first.runs() || !second.runs()) return;
    Eigen::VectorXd by = Eigen::VectorXd::Zero(predictor_.joint().size());
    const auto add = [&](const Prediction& prediction, double sign) {
      for (std::size_t k = 0; k < prediction.places.size(); ++k)
        by[prediction.places[k]] += sign * prediction.by(static_cast<Eigen::Index>(k), 0);
    };
    add(first, 1);
    add(second, -1);
    result_.lead = predictor_.joint().estimate(first.values[0] - second.values[0], by,
                                               rpm_from_rad_per_s(1), "rpm");
  }

  const Drawer& drawer_;
  Predictor predictor_;
  const Eigen::MatrixXf& deviates_;
  Eigen::VectorXf best_;  // top speed of the best that meets the aims, by draw; 0: none does
  DrawerChoice result_;
};

}  // namespace

DrawerChoice choose(const Drawer& drawer, const Aims& aims, const ChoiceOptions& options) {
  return Judge(drawer, aims, options).judge();
}

}  // namespace loadline
