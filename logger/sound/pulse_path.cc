#include "logger/sound/pulse_path.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

namespace loadline {
namespace {

constexpr int kReach = 8;       // flanks that the next edge may lie ahead
constexpr int kMostPulses = 4;  // from one edge to the next
constexpr double kSpread =
    0.18;  // of ln(period over the expected one): uneven marks, changing speed
constexpr double kMostCost = 12, kFirstCost = 2;  // of a period that is not as expected
constexpr double kLost = 3;                       // cost of each pulse that is missing
constexpr double kLeftOut = 4;                    // cost of a strong flank that is no edge
constexpr double kNewStretch = 20;
constexpr double kFollow = 0.4;         // how fast the change of speed is believed
constexpr std::size_t kLeastEdges = 6;  // of a stretch
constexpr double kHopeless = 25;        // so much dearer than another way to the same flank

// Having come to a flank from one of those before it, over some pulses; or (the first) having begun
// a stretch there.
struct State {
  double cost = std::numeric_limits<double>::infinity();
  double speed2 = 0;           // (pulses per sample)²
  double change = 0;           // of it per pulse
  int pulses = 0;              // of the last period
  int length = 0;              // periods so far
  int came_by = -1;            // which state of the flank before
  std::ptrdiff_t before = -1;  // where a stretch begins: the flank that ended the one before
  int before_state = -1;
};
constexpr std::size_t kStates = 1 + kReach * kMostPulses;
using States = std::array<State, kStates>;
std::size_t state_for(std::size_t flanks_back, int pulses) {
  return 1 + (flanks_back - 1) * kMostPulses + static_cast<std::size_t>(pulses) - 1;
}
std::size_t flanks_back(std::size_t state) { return (state - 1) / kMostPulses + 1; }

class Search {
 public:
  explicit Search(const std::vector<Flank>& flanks) : flanks_(flanks), states_(flanks.size()) {
    set_costs_of_leaving_out();
  }

  PulsePath best() {
    double skipped = 0;  // all flanks before this one left out
    Ending ended;        // the best end of a stretch before, without what was left out since
    for (std::size_t i = 0; i < flanks_.size(); ++i) {
      begin_at(i, skipped, ended);
      go_on_from(i);
      skipped += leave_out_[i];
      if (ended.at >= 0) ended.cost += leave_out_[i];
      for (std::size_t s = 1; s < kStates; ++s) {
        const State& state = states_[i][s];
        if (state.cost < ended.cost && state.length + 1 >= static_cast<int>(kLeastEdges))
          ended = {state.cost, static_cast<std::ptrdiff_t>(i), static_cast<int>(s)};
      }
    }
    if (ended.at < 0 || ended.cost >= skipped) return {};
    return trace(ended);
  }

 private:
  struct Ending {
    double cost = std::numeric_limits<double>::infinity();
    std::ptrdiff_t at = -1;
    int state = -1;
  };

  void set_costs_of_leaving_out() {
    std::vector<double> sure;
    for (const Flank& flank : flanks_) sure.push_back(flank.sureness);
    std::sort(sure.begin(), sure.end());
    usual_ = sure.empty() ? 1 : sure[sure.size() * 2 / 3];
    const double scale = std::log(std::max(usual_, 8.0) / 4);
    for (const Flank& flank : flanks_)
      leave_out_.push_back(kLeftOut * std::clamp(std::log(flank.sureness / 4) / scale, 0.05, 1.0));
  }

  void begin_at(std::size_t i, double skipped, const Ending& ended) {
    State& begin = states_[i][0];
    begin.cost = skipped;
    if (ended.cost + kNewStretch < begin.cost) {
      begin.cost = ended.cost + kNewStretch;
      begin.before = ended.at;
      begin.before_state = ended.state;
    }
  }

  void go_on_from(std::size_t i) {
    double between = 0, least = std::numeric_limits<double>::infinity();
    for (const State& from : states_[i]) least = std::min(least, from.cost);
    for (std::size_t k = i + 1; k < flanks_.size() && k <= i + kReach; ++k) {
      const double period = flanks_[k].at - flanks_[i].at;
      for (std::size_t s = 0; s < kStates; ++s) {
        const State& from = states_[i][s];
        if (!(from.cost < least + kHopeless)) continue;
        const int most = from.length < 2 ? 1 : kMostPulses;
        for (int pulses = 1; pulses <= most; ++pulses)
          step(from, static_cast<int>(s), period, pulses, between,
               states_[k][state_for(k - i, pulses)]);
      }
      between += leave_out_[k];
    }
  }

  static double cost_of(const State& from, double period, int pulses) {
    if (from.length == 0) return 0;
    const double ahead = 0.5 * (from.pulses + pulses);
    const double speed2 =
        std::clamp(from.speed2 + ahead * from.change, 0.04 * from.speed2, 25 * from.speed2);
    const double away = std::log(period * std::sqrt(speed2) / pulses) / kSpread;
    return std::min(0.5 * away * away, from.length == 1 ? kFirstCost : kMostCost);
  }

  static void step(const State& from, int came_by, double period, int pulses, double between,
                   State& to) {
    const double cost = from.cost + cost_of(from, period, pulses) + (pulses - 1) * kLost + between;
    if (cost >= to.cost) return;
    State next;
    next.cost = cost;
    next.speed2 = pulses * pulses / (period * period);
    next.pulses = pulses;
    next.length = from.length + 1;
    next.came_by = came_by;
    if (from.length > 0) {
      const double change = (next.speed2 - from.speed2) / (0.5 * (from.pulses + pulses));
      next.change = from.length == 1 ? change : from.change + kFollow * (change - from.change);
    }
    to = next;
  }

  PulsePath trace(const Ending& ended) const {
    PulsePath path;
    std::ptrdiff_t at = ended.at;
    int state = ended.state;
    while (at >= 0) {
      const auto i = static_cast<std::size_t>(at);
      const State& here = states_[i][static_cast<std::size_t>(state)];
      path.edges.push_back({i, here.pulses, 0});
      path.sureness += flanks_[i].sureness;
      const auto back = static_cast<std::ptrdiff_t>(
          state == 0 ? 0 : flanks_back(static_cast<std::size_t>(state)));
      at = state == 0 ? here.before : at - back;
      state = state == 0 ? here.before_state : here.came_by;
    }
    std::reverse(path.edges.begin(), path.edges.end());
    for (std::size_t e = 1; e < path.edges.size(); ++e)
      for (std::size_t i = path.edges[e - 1].flank + 1; i < path.edges[e].flank; ++i)
        if (path.edges[e].step > 0 && flanks_[i].sureness > 0.5 * usual_) ++path.edges[e].left_out;
    return path;
  }

  const std::vector<Flank>& flanks_;
  std::vector<States> states_;
  std::vector<double> leave_out_;
  double usual_ = 1;
};

}  // namespace

PulsePath find_path(const std::vector<Flank>& flanks) {
  return flanks.size() < kLeastEdges ? PulsePath{} : Search(flanks).best();
}

}  // namespace loadline
