#include "db/care/evening.h"

#include <algorithm>

namespace loadline {

/// What the book holds, read once.
class EveningHoldings {
 public:
  explicit EveningHoldings(const Book& book) : book_(book) {
    for (Run& run : book.runs())
      if (is_usable(run)) runs_.push_back(std::move(run));
  }

  template <typename Condition>
  bool any_run(Condition condition) const {
    return std::any_of(runs_.begin(), runs_.end(), condition);
  }
  std::vector<Part> parts(PartKind kind) const { return book_.parts(kind); }

  bool calibrated() const {
    const std::vector<Part> rigs = parts(PartKind::kRig);
    return std::any_of(rigs.begin(), rigs.end(), [&](const Part& rig) {
      return book_.latest_calibration(rig.id).has_value();
    });
  }

  /// A fit of all that there is: made after the last usable run, and of none that was put aside
  /// since.
  bool has_curve(const Part& part) const {
    const bool of_machine = part.kind == PartKind::kMachine;
    const auto curve = book_.latest_curve(of_machine, part.id);
    if (!curve) return false;
    const bool runs_hold = std::all_of(
        curve->runs.begin(), curve->runs.end(),
        [&](std::int64_t id) { return any_run([&](const Run& run) { return run.id == id; }); });
    return runs_hold && !any_run([&](const Run& run) {
             const bool same =
                 of_machine ? run.machine == part.id : run.motor == part.id && !run.machine;
             const bool tells =
                 of_machine ? run.kind == RunKind::kCoastDown || run.kind == RunKind::kDriven
                            : run.kind != RunKind::kSlipCheck;
             return same && tells && run.started_utc > curve->made_utc;
           });
  }

  int top_speeds(const Part& machine, const Part& belt) const {
    return static_cast<int>(std::count_if(runs_.begin(), runs_.end(), [&](const Run& run) {
      return run.kind == RunKind::kTopSpeed && run.machine == machine.id && run.belt == belt.id;
    }));
  }

 private:
  const Book& book_;
  std::vector<Run> runs_;
};

namespace {

using Holdings = EveningHoldings;
using Steps = std::vector<EveningStep>;

void add_bench(const Holdings& book, Steps& steps) {
  steps.push_back({"rig", "", !book.parts(PartKind::kRig).empty()});
}

void add_motor(const Holdings& book, const Part& motor, Steps& steps) {
  const auto has = [&](RunKind kind) {
    return book.any_run([&](const Run& run) { return run.kind == kind && run.motor == motor.id; });
  };
  const bool by_rows = book.any_run([&](const Run& run) {
    return run.kind == RunKind::kBrake && run.motor == motor.id && run.source == RunSource::kFile;
  });
  const bool spin_up = has(RunKind::kSpinUp);
  if (!spin_up && !by_rows) {
    add_bench(book, steps);
    steps.push_back({"calibration", "", book.calibrated()});
  }
  steps.push_back({"brake", motor.name, has(RunKind::kBrake) || spin_up});
  steps.push_back({"motor-curve", motor.name, book.has_curve(motor)});
}

void add_machine(const Holdings& book, const Part& machine, Steps& steps) {
  const auto has = [&](RunKind kind, bool with_disc) {
    return book.any_run([&](const Run& run) {
      return run.kind == kind && run.machine == machine.id &&
             (!with_disc || run.added_inertia_kgm2.value_or(0) > 0 || run.inertia_kgm2);
    });
  };
  const bool driven = has(RunKind::kDriven, false);
  const bool inertia = machine.number("inertia-kgm2").has_value();
  const bool disc = has(RunKind::kCoastDown, true) || inertia || driven;
  const bool alone = driven || book.any_run([&](const Run& run) {
    return run.kind == RunKind::kCoastDown && run.machine == machine.id &&
           run.added_inertia_kgm2.value_or(0) == 0;
  });
  steps.push_back({"coast-down", machine.name, alone});
  steps.push_back({"disc", machine.name, disc});
  steps.push_back({"drag-curve", machine.name, book.has_curve(machine)});
}

/// Two belts or more, each run twice at least: once tells no belt from chance.
void add_belts(const Holdings& book, const Part& machine, bool needed, Steps& steps) {
  const std::vector<Part> belts = book.parts(PartKind::kBelt);
  const bool enough = belts.size() >= 2;
  steps.push_back({"belts", "", enough, needed});
  const auto run_twice = std::count_if(belts.begin(), belts.end(), [&](const Part& belt) {
    return book.top_speeds(machine, belt) >= 2;
  });
  steps.push_back({"top-speed", machine.name, enough && run_twice >= 2, needed});
}

void add_choice(const Holdings& book, const Part& machine, Steps& steps) {
  const std::vector<Part> motors = book.parts(PartKind::kMotor);
  if (motors.empty()) steps.push_back({"motor", "", false});
  // One motor's curve is enough for an answer; the others better it.
  const bool one = std::any_of(motors.begin(), motors.end(),
                               [&](const Part& motor) { return book.has_curve(motor); });
  bool first = true;
  for (const Part& motor : motors) {
    Steps of_motor;
    add_motor(book, motor, of_motor);
    for (EveningStep& step : of_motor) {
      const bool of_bench = step.what == "rig" || step.what == "calibration";
      if (of_bench && !first) continue;
      step.needed = first ? !one || of_bench : false;
      steps.push_back(step);
    }
    first = false;
  }
  add_machine(book, machine, steps);
  const std::vector<Part> pulleys = book.parts(PartKind::kPulley);
  const auto has = [&](const char* role) {
    return std::any_of(pulleys.begin(), pulleys.end(), [&](const Part& pulley) {
      return pulley.text("role").value_or("") == role;
    });
  };
  steps.push_back({"pulleys", "", has("motor") && has("hand")});
  add_belts(book, machine, false, steps);
}

}  // namespace

const char* question_name(Question question) {
  switch (question) {
    case Question::kMotor:
      return "motor";
    case Question::kMachine:
      return "machine";
    case Question::kBelts:
      return "belts";
    case Question::kChoice:
      return "choice";
  }
  return "";
}

bool is_usable(const Run& run) { return run.state != RunState::kOpen && run.aside.empty(); }

Evening::Evening(const Book& book) : holdings_(std::make_unique<const EveningHoldings>(book)) {}
Evening::~Evening() = default;

std::vector<EveningStep> Evening::steps_to(Question question, const Part* subject) const {
  Steps steps;
  if (!subject) return {{question == Question::kMotor ? "motor" : "machine", "", false}};
  const Holdings& holdings = *holdings_;
  switch (question) {
    case Question::kMotor:
      add_motor(holdings, *subject, steps);
      break;
    case Question::kMachine:
      add_machine(holdings, *subject, steps);
      break;
    case Question::kBelts:
      add_belts(holdings, *subject, true, steps);
      break;
    case Question::kChoice:
      add_choice(holdings, *subject, steps);
      break;
  }
  return steps;
}

const EveningStep* next_step(const std::vector<EveningStep>& steps) {
  const auto next = std::find_if(steps.begin(), steps.end(),
                                 [](const EveningStep& step) { return step.needed && !step.done; });
  return next == steps.end() ? nullptr : &*next;
}

}  // namespace loadline
