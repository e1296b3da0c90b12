#include "fit/history/evenings/belt_evenings.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <nlohmann/json.hpp>
#include <set>

#include "db/basis/units.h"
#include "fit/history/evenings/random_effects.h"

namespace loadline {
namespace {

// A mean with the variance that the scatter from run to run leaves it.
struct Mean {
  double value = 0, variance = 0;
};

// Corrected logarithms of speed.
using Values = std::vector<double>;
// By evening, then by what was set up.
using OfBelt = std::map<std::size_t, std::map<std::string, Values>>;

double corrected(const TopSpeed& run, const BeltComparison& comparison) {
  double value = std::log(run.speed);
  if (comparison.supply_v && run.supply && comparison.supply_effect.value)
    value -= *comparison.supply_effect.value * std::log(*run.supply / *comparison.supply_v);
  if (run.setting && comparison.setting_effect.value)
    value -= *comparison.setting_effect.value * *run.setting;
  return value;
}

// From run to run of a belt on one evening and set-up: what evenings differ by is not in it. Where
// no run was repeated nothing is known of it, and evenings scatter by all they differ.
double variance_of_runs(const std::map<std::string, OfBelt>& belts) {
  constexpr double kNothing = 1e-12;
  double squares = 0, freedom = 0;
  for (const auto& [name, evenings] : belts)
    for (const auto& [evening, set_ups] : evenings)
      for (const auto& [set_up, values] : set_ups) {
        double mean = 0;
        for (const double value : values) mean += value / static_cast<double>(values.size());
        for (const double value : values) squares += (value - mean) * (value - mean);
        freedom += static_cast<double>(values.size()) - 1;
      }
  return freedom > 0 ? std::max(kNothing, squares / freedom) : kNothing;
}

Mean mean_of(const Values& values, double run_variance) {
  Mean mean{0, run_variance / static_cast<double>(values.size())};
  for (const double value : values) mean.value += value / static_cast<double>(values.size());
  return mean;
}

// Of several set-ups on one evening, by their weights.
Mean mean_of(const std::vector<Mean>& parts) {
  double weight = 0, sum = 0;
  for (const Mean& part : parts) {
    weight += 1 / part.variance;
    sum += part.value / part.variance;
  }
  return {sum / weight, 1 / weight};
}

std::optional<RandomEffects> model_of(const std::vector<Mean>& evenings) {
  if (evenings.size() < 2) return std::nullopt;
  Eigen::VectorXd values(static_cast<Eigen::Index>(evenings.size())), variances = values;
  for (Eigen::Index i = 0; i < values.size(); ++i) {
    values[i] = evenings[static_cast<std::size_t>(i)].value;
    variances[i] = evenings[static_cast<std::size_t>(i)].variance;
  }
  return RandomEffects(values, variances);
}

// What one more evening's runs will give: with their own noise, that of the evenings before.
Contrast next_one(const std::vector<Mean>& evenings) {
  double own = 0;
  for (const Mean& evening : evenings)
    own += evening.variance / static_cast<double>(evenings.size());
  return {Eigen::VectorXd::Ones(1), true, own};
}

// factor·exp(x) − less for the predicted logarithm x.
Estimate next_of(const std::vector<Mean>& evenings, double factor, double less, const char* unit) {
  const auto model = model_of(evenings);
  if (!model) return Estimate::unknown(unit);
  const Contrast next = next_one(evenings);
  const auto of = [&](double x) { return factor * std::exp(x) - less; };
  Estimate estimate = Estimate::exact(of(model->value(next)), unit);
  if (const auto limits = model->limits(next)) {
    estimate.low = of(limits->low);
    estimate.high = of(limits->high);
  }
  return estimate;
}

Estimate scatter_of(const std::vector<Mean>& evenings) {
  const auto model = model_of(evenings);
  const auto variance = model ? model->variance_between() : std::nullopt;
  if (!variance) return Estimate::unknown("%");
  Estimate estimate = Estimate::exact(100 * std::sqrt(*variance), "%");
  if (const auto limits = model->variance_between_limits()) {
    estimate.low = 100 * std::sqrt(limits->low);
    estimate.high = 100 * std::sqrt(limits->high);
  }
  return estimate;
}

std::vector<Mean> differences(const OfBelt& a, const OfBelt& b, double run_variance) {
  std::vector<Mean> evenings;
  for (const auto& [evening, set_ups] : a) {
    const auto other = b.find(evening);
    if (other == b.end()) continue;
    std::vector<Mean> parts;
    for (const auto& [set_up, values] : set_ups) {
      const auto beside = other->second.find(set_up);
      if (beside == other->second.end()) continue;
      const Mean one = mean_of(values, run_variance), two = mean_of(beside->second, run_variance);
      parts.push_back({one.value - two.value, one.variance + two.variance});
    }
    if (!parts.empty()) evenings.push_back(mean_of(parts));
  }
  return evenings;
}

// On the set-up that the belt ran on most evenings.
std::vector<Mean> levels(const OfBelt& belt, double run_variance) {
  std::map<std::string, std::vector<Mean>> by_set_up;
  for (const auto& [evening, set_ups] : belt)
    for (const auto& [set_up, values] : set_ups)
      by_set_up[set_up].push_back(mean_of(values, run_variance));
  const auto most = std::max_element(by_set_up.begin(), by_set_up.end(), [](auto& a, auto& b) {
    return a.second.size() < b.second.size();
  });
  return most == by_set_up.end() ? std::vector<Mean>{} : most->second;
}

}  // namespace

std::optional<BeltEvenings> another_evening(const BeltComparison& comparison) {
  std::map<std::string, OfBelt> belts;
  std::set<std::size_t> evenings;
  for (const TopSpeed& run : comparison.runs) {
    belts[run.belt][run.evening][run.set_up].push_back(corrected(run, comparison));
    evenings.insert(run.evening);
  }
  if (evenings.size() < 2 || comparison.belts.empty()) return std::nullopt;
  const double run_variance = variance_of_runs(belts);
  BeltEvenings another;
  another.evenings = evenings.size();
  const std::string& best = comparison.belts.front().name;
  for (const BeltResult& belt : comparison.belts) {
    BeltEvenings::Belt& out = another.belts.emplace_back();
    out.name = belt.name;
    out.top_speed = comparison.at_motor ? Estimate::unknown("rpm")
                                        : next_of(levels(belts[belt.name], run_variance),
                                                  rpm_from_rad_per_s(1), 0, "rpm");
    out.relative_percent =
        belt.name == best
            ? Estimate::exact(0, "%")
            : next_of(differences(belts[belt.name], belts[best], run_variance), 100, 100, "%");
  }
  for (const BeltPair& pair : comparison.comparisons) {
    const std::vector<Mean> seen = differences(belts[pair.a], belts[pair.b], run_variance);
    if (seen.size() > 1)
      another.comparisons.push_back(
          {pair.a, pair.b, next_of(seen, 100, 100, "%"), scatter_of(seen)});
  }
  if (another.comparisons.empty()) return std::nullopt;
  return another;
}

Json to_json(const BeltEvenings& another) {
  Json belts = Json::array(), comparisons = Json::array();
  for (const BeltEvenings::Belt& belt : another.belts)
    belts.push_back({{"name", belt.name},
                     {"top_speed", to_json(belt.top_speed)},
                     {"relative_percent", to_json(belt.relative_percent)}});
  for (const BeltEvenings::Pair& pair : another.comparisons)
    comparisons.push_back({{"a", pair.a},
                           {"b", pair.b},
                           {"difference_percent", to_json(pair.difference_percent)},
                           {"between_evenings_percent", to_json(pair.between_evenings_percent)}});
  return {{"evenings", another.evenings}, {"belts", belts}, {"comparisons", comparisons}};
}

std::string to_text(const std::optional<BeltEvenings>& another) {
  if (!another) return "Another evening: not known; three to five evenings would tell\n";
  std::string text = fmt::format(
      "Another evening, by the scatter of {} (each limit for itself, 95 %):\n", another->evenings);
  for (const BeltEvenings::Belt& belt : another->belts)
    if (belt.top_speed.value) text += fmt::format("  {}: {}\n", belt.name, to_text(belt.top_speed));
  for (const BeltEvenings::Pair& pair : another->comparisons)
    text += fmt::format("  {} over {}: {}\n", pair.a, pair.b, to_text(pair.difference_percent));
  return text;
}

}  // namespace loadline
