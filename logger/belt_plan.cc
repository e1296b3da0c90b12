#include "logger/belt_plan.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <map>
#include <random>
#include <tuple>

#include "db/basis/shell_word.h"
#include "logger/mounting.h"

namespace loadline {
namespace {

constexpr const char* kPrefix = "plan/";

/// Fisher–Yates with the generator's own bits, so that a seed means the same order everywhere
/// (std::shuffle may differ between libraries).
template <typename T>
void shuffle(std::vector<T>& items, std::mt19937_64& dice) {
  for (std::size_t i = items.size(); i > 1; --i) std::swap(items[i - 1], items[dice() % i]);
}

std::string name_of(const Book& book, PartKind kind, std::int64_t id) {
  return id ? book.part(kind, id).name : "";
}

bool belongs(const Book& book, const Run& run, const BeltPlan& plan, const BeltPlan::Step& step) {
  return name_of(book, PartKind::kMachine, run.machine) == plan.machine &&
         name_of(book, PartKind::kBelt, run.belt) == step.belt &&
         name_of(book, PartKind::kPulley, run.motor_pulley) == step.motor_pulley;
}

/// Highest mean speed over about a second, from counts and the ticks of their last edges.
double highest_mean(const std::vector<Sample>& samples, double tick_hz, double pulses_per_turn,
                    const std::optional<std::int64_t> Sample::*edges,
                    const std::optional<std::int64_t> Sample::*edge_tick) {
  double best = 0;
  std::size_t from = 0;
  for (const Sample& sample : samples) {
    if (!(sample.*edge_tick)) continue;
    while (!(samples[from].*edge_tick)) ++from;
    while (static_cast<double>(*(sample.*edge_tick) - *(samples[from + 1].*edge_tick)) > tick_hz)
      ++from;
    const auto ticks = static_cast<double>(*(sample.*edge_tick) - *(samples[from].*edge_tick));
    const auto turns =
        static_cast<double>(*(sample.*edges) - *(samples[from].*edges)) / pulses_per_turn;
    if (ticks >= 0.5 * tick_hz) best = std::max(best, 60 * tick_hz * turns / ticks);
  }
  return best;
}

std::optional<double> top_of_readings(const std::vector<ImportedReading>& readings) {
  std::vector<double> speeds;
  for (const ImportedReading& reading : readings) {
    const double rpm =
        std::isnan(reading.handwheel_rpm) ? reading.motor_rpm : reading.handwheel_rpm;
    if (rpm > 0) speeds.push_back(rpm);
  }
  if (speeds.empty()) return std::nullopt;
  std::sort(speeds.begin(), speeds.end());
  return speeds[speeds.size() * 9 / 10];
}

Json step_json(const BeltPlan::Step& step) {
  return {{"belt", step.belt}, {"motor_pulley", step.motor_pulley}, {"round", step.round}};
}

}  // namespace

void draw_order(BeltPlan& plan) {
  std::mt19937_64 dice(plan.seed);
  plan.steps.clear();
  std::vector<std::string> blocks = plan.motor_pulleys;
  shuffle(blocks, dice);
  for (const std::string& pulley : blocks)
    for (int round = 1; round <= plan.repeats; ++round) {
      std::vector<std::string> belts = plan.belts;
      shuffle(belts, dice);
      for (const std::string& belt : belts) plan.steps.push_back({belt, pulley, round});
    }
}

void keep_plan(Book& book, const BeltPlan& plan) {
  Json steps = Json::array();
  for (const BeltPlan::Step& step : plan.steps) steps.push_back(step_json(step));
  const Json document = {{"machine", plan.machine},
                         {"motor", plan.motor},
                         {"hand_pulley", plan.hand_pulley},
                         {"belts", plan.belts},
                         {"motor_pulleys", plan.motor_pulleys},
                         {"repeats", plan.repeats},
                         {"seed", plan.seed},
                         {"made_utc", plan.made_utc},
                         {"steps", steps}};
  book.put_document(kPrefix + plan.name, document.dump());
}

BeltPlan load_plan(const Book& book, const std::string& name) {
  std::string wanted = kPrefix + name;
  const std::vector<std::string> known = book.document_names(kPrefix);
  if (name.empty() && known.size() == 1) wanted = known.front();
  const auto text = book.document(wanted);
  if (!text) {
    std::string list;
    for (const std::string& plan : known)
      list += (list.empty() ? "" : ", ") + shell_word(plan.substr(std::string(kPrefix).size()));
    throw Error(
        Fault::kInput,
        known.empty()  ? std::string("the book holds no plan; make one with 'loadline-logger "
                                      "plan belts NAME --machine K --belt B …'.")
        : name.empty() ? fmt::format("which plan? The book holds {}.", list)
                       : fmt::format("there is no plan '{}'; the book holds {}.", name, list));
  }
  BeltPlan plan;
  plan.name = wanted.substr(std::string(kPrefix).size());
  try {
    const Json document = Json::parse(*text);
    document.at("machine").get_to(plan.machine);
    document.at("motor").get_to(plan.motor);
    document.at("hand_pulley").get_to(plan.hand_pulley);
    document.at("belts").get_to(plan.belts);
    document.at("motor_pulleys").get_to(plan.motor_pulleys);
    document.at("repeats").get_to(plan.repeats);
    document.at("seed").get_to(plan.seed);
    document.at("made_utc").get_to(plan.made_utc);
    for (const Json& step : document.at("steps"))
      plan.steps.push_back({step.at("belt").get<std::string>(),
                            step.at("motor_pulley").get<std::string>(),
                            step.at("round").get<int>()});
  } catch (const Json::exception&) {
    throw Error(Fault::kBook,
                fmt::format("the plan '{}' in the book is damaged; make it anew.", plan.name));
  }
  return plan;
}

std::vector<StepState> progress(const Book& book, const BeltPlan& plan) {
  std::vector<StepState> states;
  for (const BeltPlan::Step& step : plan.steps) states.push_back({step, 0, 0});
  std::map<std::tuple<std::string, std::string>, std::int64_t> slip_checks;
  for (const Run& run : book.runs()) {
    if (run.started_utc < plan.made_utc || run.state != RunState::kComplete) continue;
    if (!run.aside.empty()) continue;  // so its step is to be done again
    const bool top = run.kind == RunKind::kTopSpeed && run.slip_check != 0;
    const bool slip = run.kind == RunKind::kSlipCheck;
    if (!top && !slip) continue;
    for (StepState& state : states) {
      if (state.top_speed || !belongs(book, run, plan, state.step)) continue;
      if (slip) state.slip_check = run.id;
      if (top) {
        state.slip_check = run.slip_check;
        state.top_speed = run.id;
      }
      break;
    }
  }
  return states;
}

std::optional<std::size_t> next_step(const std::vector<StepState>& states) {
  const auto open = std::find_if(states.begin(), states.end(),
                                 [](const StepState& state) { return state.top_speed == 0; });
  if (open == states.end()) return std::nullopt;
  return static_cast<std::size_t>(open - states.begin());
}

std::optional<double> rough_top_speed(const Book& book, const Run& run) {
  if (run.source == RunSource::kFile) return top_of_readings(book.readings(run.id));
  const std::vector<Sample> samples = book.samples(run.id);
  double top = 0;
  if (run.handwheel_pulses_per_turn)
    top = highest_mean(samples, *run.tick_hz, *run.handwheel_pulses_per_turn,
                       &Sample::handwheel_edges, &Sample::handwheel_edge_tick);
  else if (run.motor_pulses_per_turn)
    top = highest_mean(samples, *run.tick_hz, *run.motor_pulses_per_turn, &Sample::motor_edges,
                       &Sample::motor_edge_tick);
  if (top <= 0) return std::nullopt;
  return top;
}

std::optional<Repeatability> repeatability(const Book& book, std::int64_t machine) {
  RunFilter filter;
  filter.kind = RunKind::kTopSpeed;
  filter.machine = machine;
  std::map<std::pair<std::int64_t, std::int64_t>, std::vector<double>> groups;
  for (const Run& run : book.runs(filter))
    if (const auto rpm = run.aside.empty() ? rough_top_speed(book, run) : std::nullopt)
      groups[{run.belt, run.motor_pulley}].push_back(std::log(*rpm));
  Repeatability result;
  double squares = 0;
  for (const auto& [key, logs] : groups) {
    double mean = 0;
    for (const double value : logs) mean += value / static_cast<double>(logs.size());
    for (const double value : logs) squares += std::pow(value - mean, 2);
    result.degrees_of_freedom += static_cast<int>(logs.size()) - 1;
  }
  if (result.degrees_of_freedom == 0) return std::nullopt;
  result.percent = 100 * std::sqrt(squares / result.degrees_of_freedom);
  return result;
}

}  // namespace loadline
