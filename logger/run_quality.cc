#include "logger/run_quality.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <nlohmann/json.hpp>
#include <numeric>

#include "db/store/sample_stretches.h"

namespace loadline {
namespace {

constexpr double kLookS = 0.2;  // a run is looked at in pieces of this length

/// One piece of the run: what turned, and what the arm felt. NaN where nothing says so.
struct Look {
  double time_s = 0;
  double motor_rpm = std::nan(""), wheel_rpm = std::nan("");
  double torque = std::nan("");  ///< counts above the zero, or N·m of printed lines
};

/// A tachometer over a piece: turns between its last edges, over the time between them.
class EdgeSpeed {
 public:
  EdgeSpeed(std::optional<double> pulses, double tick_hz) : pulses_(pulses), tick_hz_(tick_hz) {}
  void take(const std::optional<std::int64_t>& edges, const std::optional<std::int64_t>& tick) {
    if (edges) edges_ = *edges;
    if (tick) tick_ = *tick;
  }
  double of_piece() {
    if (!pulses_) return std::nan("");
    const double turns = static_cast<double>(edges_ - edges_before_) / *pulses_;
    const double seconds = static_cast<double>(tick_ - tick_before_) / tick_hz_;
    const bool first = edges_before_ == 0;
    edges_before_ = edges_;
    tick_before_ = tick_;
    return turns > 0 && seconds > 0 && !first ? 60 * turns / seconds : 0;
  }
  std::int64_t edges() const { return edges_; }

 private:
  std::optional<double> pulses_;
  double tick_hz_;
  std::int64_t edges_ = 0, tick_ = 0, edges_before_ = 0, tick_before_ = 0;
};

struct Course {
  std::vector<Look> looks;
  std::int64_t motor_edges = -1, wheel_edges = -1;  ///< -1: no such tachometer, or none that counts
};

Course of_samples(const Book& book, const Run& run) {
  Course course;
  const double hz = run.tick_hz.value_or(1);
  EdgeSpeed motor(run.motor_pulses_per_turn, hz), wheel(run.handwheel_pulses_per_turn, hz);
  double sum = 0, ends_s = kLookS;
  int count = 0;
  const auto close = [&] {
    course.looks.push_back(
        {ends_s, motor.of_piece(), wheel.of_piece(), count > 0 ? sum / count : std::nan("")});
    sum = count = 0;
  };
  // Where samples come faster than that, a piece is judged by its first ones.
  constexpr std::size_t kSamples = 16;
  const auto ticks = std::max<std::int64_t>(1, std::llround(kLookS * hz));
  each_stretch(book, run.id, ticks, kSamples, [&](std::span<const Sample> block) {
    for (const Sample& sample : block) {
      const double time_s = static_cast<double>(sample.tick) / hz;
      if (time_s >= ends_s) {
        close();
        ends_s = std::max(ends_s + kLookS, time_s);
      }
      motor.take(sample.motor_edges, sample.motor_edge_tick);
      wheel.take(sample.handwheel_edges, sample.handwheel_edge_tick);
      if (!sample.torque_counts) continue;
      sum += *sample.torque_counts;
      ++count;
    }
  });
  close();
  if (run.motor_pulses_per_turn) course.motor_edges = motor.edges();
  if (run.handwheel_pulses_per_turn) course.wheel_edges = wheel.edges();
  return course;
}

Course of_rows(const Book& book, const Run& run) {
  Course course;
  for (const ImportedReading& row : book.readings(run.id))
    course.looks.push_back({row.time_s, row.motor_rpm, row.handwheel_rpm, row.torque_nm});
  return course;
}

class Judge {
 public:
  Judge(const Book& book, const Run& run)
      : book_(book),
        run_(run),
        course_(run.source == RunSource::kFile ? of_rows(book, run) : of_samples(book, run)) {
    const auto calibration = run.rig ? book.latest_calibration(run.rig) : std::nullopt;
    if (run.source == RunSource::kFile) nm_per_count_ = 1;
    if (calibration && run.source != RunSource::kFile)
      nm_per_count_ = std::abs(calibration->slope_n_per_count * calibration->arm_m);
  }

  RunQuality judge(std::uint64_t lost) {
    switch (run_.kind) {
      case RunKind::kBrake:
        look_at_brake();
        break;
      case RunKind::kCoastDown:
        look_at_coast_down();
        break;
      case RunKind::kSpinUp:
        look_at_spin_up();
        break;
      case RunKind::kNoLoad:
        look_at_steady(&Look::motor_rpm);
        break;
      case RunKind::kTopSpeed:
        look_at_steady(seen(&Look::wheel_rpm) ? &Look::wheel_rpm : &Look::motor_rpm);
        break;
      case RunKind::kDriven:
        look_at_driven();
        break;
      case RunKind::kSlipCheck:
        break;  // judged by its verdict
    }
    constexpr double kMostLost = 0.01;
    if (static_cast<double>(lost) > kMostLost * static_cast<double>(run_.sample_count))
      add("lost", Weight::kWeak, {{"lost", static_cast<double>(lost)}});
    if (run_.state == RunState::kInterrupted) add("interrupted", Weight::kWeak);
    const auto worst = std::max_element(
        quality_.findings.begin(), quality_.findings.end(),
        [](const RunFinding& a, const RunFinding& b) { return a.weight < b.weight; });
    const bool none = worst == quality_.findings.end() || worst->weight == Weight::kFine;
    quality_.verdict = none ? "good" : worst->weight == Weight::kWeak ? "weak" : "repeat";
    return std::move(quality_);
  }

 private:
  using Weight = RunFinding::Weight;
  using Channel = double Look::*;

  void add(const char* code, Weight weight,
           std::vector<std::pair<std::string, double>> figures = {}) {
    quality_.findings.push_back({code, std::move(figures), weight});
  }

  /// Speeds of a channel that are known, and the highest of them.
  bool seen(Channel channel) const { return highest(channel) > 0; }
  double highest(Channel channel) const {
    double most = 0;
    for (const Look& look : course_.looks)
      if (look.*channel > most) most = look.*channel;
    return most;
  }

  /// False, with the finding, where the tachometer that this kind lives by said too little.
  bool edges_seen(Channel channel, std::int64_t least) {
    const std::int64_t edges =
        channel == &Look::motor_rpm ? course_.motor_edges : course_.wheel_edges;
    const bool by_rows = edges < 0;
    const bool enough = by_rows ? seen(channel) : edges >= least;
    const char* code = channel == &Look::motor_rpm ? "motor edges" : "wheel edges";
    const char* none = channel == &Look::motor_rpm ? "no motor edges" : "no wheel edges";
    add(enough ? code : none, enough ? Weight::kFine : Weight::kBad,
        {{"edges", static_cast<double>(std::max<std::int64_t>(edges, 0))}});
    return enough;
  }

  void look_at_brake() {
    if (!edges_seen(&Look::motor_rpm, 100)) return;
    std::vector<double> torques;
    for (const Look& look : course_.looks)
      if (std::isfinite(look.torque)) torques.push_back(look.torque);
    if (torques.empty()) return add("no torque", Weight::kBad);
    std::sort(torques.begin(), torques.end());
    const double low = torques[torques.size() / 50];
    const double high = torques[torques.size() - 1 - torques.size() / 50];
    // At rest and free the arm reads near one end of what it read; the brake pulled to the other.
    const double rest = rest_torque().value_or(low);
    const double pull = std::abs(high - rest) > std::abs(low - rest) ? high - rest : low - rest;
    const double moved = std::abs(pull) * nm_per_count_;
    constexpr double kLeastNm = 0.005;
    const bool still = nm_per_count_ > 0 ? moved < kLeastNm : std::abs(pull) < 100;
    if (still) return add("torque still", Weight::kBad, {{"nm", moved}});
    if (nm_per_count_ > 0)
      add("torque moved", Weight::kFine, {{"nm", moved}});
    else
      add("counts moved", Weight::kFine, {{"counts", std::abs(pull)}});
    look_at_range(rest, pull);
    if (run_.source != RunSource::kFile && book_.zeros(run_.id).empty())
      add("no zero", Weight::kWeak);
  }

  std::optional<double> rest_torque() const {
    for (const Look& look : course_.looks)
      if (look.motor_rpm == 0 && std::isfinite(look.torque)) return look.torque;
    return std::nullopt;
  }

  /// How far down, and whether both ways: what rises with a delay shows only so.
  void look_at_range(double rest, double pull) {
    const double top = highest(&Look::motor_rpm);
    double lowest = top;
    std::size_t turn = 0;
    std::vector<std::size_t> braked;
    for (std::size_t i = 0; i < course_.looks.size(); ++i) {
      const Look& look = course_.looks[i];
      const bool pulls = (look.torque - rest) / pull > 0.15;
      if (!pulls || !(look.motor_rpm > 0)) continue;
      braked.push_back(i);
      if (look.motor_rpm >= lowest) continue;
      lowest = look.motor_rpm;
      turn = i;
    }
    const double share = lowest / top;
    add(share < 0.5 ? "lowest" : "lowest high",
        share < 0.5   ? Weight::kFine
        : share < 0.8 ? Weight::kWeak
                      : Weight::kBad,
        {{"rpm", lowest}, {"of_rpm", top}});
    const auto before =
        std::count_if(braked.begin(), braked.end(), [&](std::size_t i) { return i < turn; });
    const auto after = static_cast<std::ptrdiff_t>(braked.size()) - before;
    constexpr double kLeastS = 2;
    const auto seconds = [&](std::ptrdiff_t pieces) {
      return static_cast<double>(pieces) * kLookS;
    };
    if (run_.source == RunSource::kFile) return;
    if (seconds(before) < kLeastS || seconds(after) < kLeastS)
      add("one way", Weight::kWeak, {{"down_s", seconds(before)}, {"up_s", seconds(after)}});
  }

  void look_at_coast_down() {
    const bool wheel = run_.machine != 0 && (course_.wheel_edges > 0 || seen(&Look::wheel_rpm));
    const Channel channel = wheel || run_.motor == 0 ? &Look::wheel_rpm : &Look::motor_rpm;
    if (!edges_seen(channel, 20)) return;
    const double top = highest(channel);
    std::size_t leaves = 0;  // the last piece at nearly the top
    double last = 0;
    for (std::size_t i = 0; i < course_.looks.size(); ++i) {
      const double rpm = course_.looks[i].*channel;
      if (rpm >= 0.95 * top) leaves = i;
      if (std::isfinite(rpm)) last = rpm;
    }
    std::size_t rests = leaves;
    while (rests + 1 < course_.looks.size() && course_.looks[rests].*channel > 0.05 * top) ++rests;
    const double seconds = course_.looks[rests].time_s - course_.looks[leaves].time_s;
    const double share = last / top;
    if (share > 0.5) return add("does not fall", Weight::kBad, {{"rpm", last}, {"of_rpm", top}});
    if (share > 0.1)
      add("not to rest", Weight::kWeak, {{"rpm", last}, {"of_rpm", top}});
    else
      add("falls", Weight::kFine, {{"of_rpm", top}, {"s", seconds}});
    if (seconds < 0.4) add("falls fast", Weight::kWeak, {{"s", seconds}});
  }

  void look_at_spin_up() {
    if (!edges_seen(&Look::motor_rpm, 100)) return;
    const double top = highest(&Look::motor_rpm);
    double first = std::nan("");
    double reaches = 0, leaves = 0;
    for (const Look& look : course_.looks) {
      if (!std::isfinite(look.motor_rpm)) continue;
      if (std::isnan(first)) first = look.motor_rpm;
      if (look.motor_rpm < 0.95 * top) continue;
      if (reaches == 0) reaches = look.time_s;
      leaves = look.time_s;
    }
    add("reaches", Weight::kFine, {{"rpm", top}, {"s", reaches}});
    if (first > 0.2 * top) add("turned already", Weight::kBad, {{"rpm", first}});
    if (leaves - reaches < 1) add("top short", Weight::kWeak, {{"s", leaves - reaches}});
  }

  /// The longest stretch near the highest speed, and how much it still changes.
  void look_at_steady(Channel channel) {
    if (!edges_seen(channel, 20)) return;
    const double top = highest(channel);
    std::vector<const Look*> near;
    for (const Look& look : course_.looks)
      if (look.*channel > 0.95 * top) near.push_back(&look);
    if (run_.source == RunSource::kFile || near.size() < 2)
      return add("speed", Weight::kFine, {{"rpm", top}});
    const double seconds = near.back()->time_s - near.front()->time_s;
    if (seconds < 3) return add("steady short", Weight::kWeak, {{"rpm", top}, {"s", seconds}});
    // Means of the last two stretches of 1.5 s.
    const auto mean = [&](double from_s, double to_s) {
      double sum = 0;
      int count = 0;
      for (const Look* look : near) {
        const double before_s = near.back()->time_s - look->time_s;
        if (before_s < from_s || before_s >= to_s) continue;
        sum += look->*channel;
        ++count;
      }
      return count ? sum / count : std::nan("");
    };
    const double change = 100 * (mean(0, 1.5) / mean(1.5, 3) - 1);
    const bool holds = std::abs(change) < 0.5;
    add(holds ? "steady" : "unsteady", holds ? Weight::kFine : Weight::kWeak,
        {{"rpm", mean(0, 1.5)}, {"percent", std::abs(change)}});
  }

  /// Speeds that were held for two seconds, as many as differ by a twentieth.
  void look_at_driven() {
    const Channel channel = seen(&Look::wheel_rpm) ? &Look::wheel_rpm : &Look::motor_rpm;
    if (!edges_seen(channel, 20)) return;
    std::vector<double> held;
    constexpr std::size_t kPieces = 10;
    for (std::size_t i = 0; i + kPieces <= course_.looks.size(); ++i) {
      double low = HUGE_VAL, high = 0;
      for (std::size_t k = i; k < i + kPieces; ++k) {
        low = std::min(low, course_.looks[k].*channel);
        high = std::max(high, course_.looks[k].*channel);
      }
      if (!(low > 0) || high > 1.03 * low) continue;
      const bool known = std::any_of(held.begin(), held.end(),
                                     [&](double rpm) { return std::abs(rpm - high) < 0.05 * rpm; });
      if (!known) held.push_back(high);
    }
    const auto count = static_cast<double>(held.size());
    add(count >= 3 ? "levels" : "few levels", count >= 3 ? Weight::kFine : Weight::kWeak,
        {{"levels", count}});
  }

  const Book& book_;
  const Run& run_;
  const Course course_;
  double nm_per_count_ = 0;  ///< 0: no calibration
  RunQuality quality_;
};

/// What is said of each finding at the terminal; the page has its own table (live/words.js).
std::string words(const RunFinding& finding) {
  static const std::map<std::string, const char*> kWords = {
      {"motor edges", "edges of the motor seen"},
      {"wheel edges", "edges of the hand wheel seen"},
      {"no motor edges",
       "the motor's tachometer saw hardly an edge ({edges}): look at sensor and disc"},
      {"no wheel edges",
       "the hand wheel's tachometer saw hardly an edge ({edges}): look at sensor and disc"},
      {"no torque", "the load cell said nothing"},
      {"torque still", "the torque hardly moved: does the brake pull at the arm?"},
      {"torque moved", "torque moved by {nm} N·m"},
      {"counts moved", "the cell moved by {counts} counts (no calibration yet)"},
      {"lowest", "lowest speed {rpm} of {of_rpm} rpm"},
      {"lowest high", "braked down to {rpm} of {of_rpm} rpm only: go lower"},
      {"one way",
       "braked for {down_s} s on the way down and {up_s} s on the way up: slower, both ways"},
      {"no zero", "no zero of the cell: two seconds at rest before the switch"},
      {"falls", "from {of_rpm} rpm to rest in {s} s"},
      {"does not fall",
       "the speed does not fall ({rpm} of {of_rpm} rpm at the end): throw the belt off"},
      {"not to rest", "ended at {rpm} of {of_rpm} rpm: let it run out"},
      {"falls fast", "it stands after {s} s: few edges for a curve"},
      {"reaches", "{rpm} rpm, nearly reached at {s} s"},
      {"turned already", "it turned already ({rpm} rpm) when the recording began: start from rest"},
      {"top short", "near its top speed for {s} s only: hold it for two"},
      {"speed", "{rpm} rpm"},
      {"steady", "steady at {rpm} rpm within {percent} %"},
      {"unsteady", "still changing by {percent} % in the last seconds ({rpm} rpm): run it longer"},
      {"steady short", "near its top speed for {s} s only ({rpm} rpm): hold it for three"},
      {"levels", "{levels} speeds held"},
      {"few levels", "{levels} speeds held for two seconds: three are the least"},
      {"lost", "{lost} samples lost on the line"},
      {"interrupted", "it was cut short"},
  };
  const auto found = kWords.find(finding.code);
  std::string text = found == kWords.end() ? finding.code : found->second;
  for (const auto& [name, value] : finding.figures) {
    const bool whole = name == "rpm" || name == "of_rpm" || name == "edges" || name == "counts" ||
                       name == "lost" || name == "levels";
    const auto at = text.find("{" + name + "}");
    if (at != std::string::npos)
      text.replace(at, name.size() + 2, whole ? whole_text(value) : significant(value, 2));
  }
  return text;
}

const char* weight_name(RunFinding::Weight weight) {
  return weight == RunFinding::Weight::kFine   ? "fine"
         : weight == RunFinding::Weight::kWeak ? "weak"
                                               : "bad";
}

}  // namespace

RunQuality judge_run(const Book& book, const Run& run, std::uint64_t lost) {
  return Judge(book, run).judge(lost);
}

Json to_json(const RunQuality& quality) {
  Json findings = Json::array();
  for (const RunFinding& finding : quality.findings) {
    Json figures = Json::object();
    for (const auto& [name, value] : finding.figures) figures[name] = json_number(value);
    findings.push_back({{"code", finding.code},
                        {"weight", weight_name(finding.weight)},
                        {"figures", figures},
                        {"text", words(finding)}});
  }
  return {{"verdict", quality.verdict}, {"findings", findings}};
}

std::string sentence(const RunQuality& quality) {
  std::string text;
  for (const RunFinding& finding : quality.findings)
    text += (text.empty() ? "" : ", ") + words(finding);
  const char* verdict = quality.verdict == "good"   ? "good"
                        : quality.verdict == "weak" ? "usable, could be better"
                                                    : "repeat it";
  return text.empty() ? std::string(verdict) : text + ": " + verdict;
}

}  // namespace loadline
