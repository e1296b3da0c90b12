// plan: a session that compares belts, drawn at random and walked through run by run.
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <iostream>
#include <random>

#include "db/basis/shell_word.h"
#include "fit/belts/comparison/repeats.h"
#include "logger/belt_plan.h"
#include "logger/cautions.h"
#include "logger/console.h"
#include "logger/record_order.h"
#include "logger/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

constexpr double kUsualRepeatabilityPercent = 1;  // before anything was seen (common practice)

void require_names(const Book& book, const BeltPlan& plan) {
  book.get(PartKind::kMachine, plan.machine);
  if (!plan.motor.empty()) book.get(PartKind::kMotor, plan.motor);
  if (!plan.hand_pulley.empty()) book.get(PartKind::kPulley, plan.hand_pulley);
  for (const std::string& belt : plan.belts) book.get(PartKind::kBelt, belt);
  for (const std::string& pulley : plan.motor_pulleys)
    if (!pulley.empty()) book.get(PartKind::kPulley, pulley);
}

BeltPlan plan_from(const Arguments& arguments) {
  BeltPlan plan;
  plan.name = arguments.names().size() > 1 ? arguments.names()[1] : "belts";
  const auto machine = arguments.text("machine");
  if (!machine) throw Error(Fault::kInput, "which machine drives the comparison? Add --machine K.");
  plan.machine = *machine;
  plan.motor = arguments.text("motor").value_or("");
  plan.hand_pulley = arguments.text("hand-pulley").value_or("");
  plan.belts = arguments.texts("belt");
  plan.motor_pulleys = arguments.texts("motor-pulley");
  if (plan.motor_pulleys.empty()) plan.motor_pulleys = {""};
  for (const std::string& belt : plan.belts)
    if (std::count(plan.belts.begin(), plan.belts.end(), belt) > 1)
      throw Error(
          Fault::kInput,
          fmt::format("belt '{}' is named twice; --repeats says how often each is run.", belt));
  if (plan.belts.size() < 2)
    throw Error(Fault::kInput, "a comparison needs two belts or more; name each with --belt B.");
  plan.repeats = static_cast<int>(arguments.whole("repeats").value_or(3));
  if (plan.repeats < 1 || plan.repeats > 100)
    throw Error(Fault::kInput, "--repeats must be between 1 and 100.");
  plan.seed = arguments.has("seed") ? static_cast<std::uint64_t>(*arguments.whole("seed"))
                                    : std::random_device{}() % 1'000'000;
  return plan;
}

std::string step_words(const BeltPlan::Step& step) {
  std::string words = "belt " + step.belt;
  if (!step.motor_pulley.empty()) words += " on motor pulley " + step.motor_pulley;
  return words;
}

Json state_json(const StepState& state) {
  return {{"belt", state.step.belt},
          {"motor_pulley", state.step.motor_pulley},
          {"round", state.step.round},
          {"slip_check", state.slip_check ? Json(state.slip_check) : Json()},
          {"top_speed", state.top_speed ? Json(state.top_speed) : Json()}};
}

/// How many runs per belt tell how much apart, with what repeatability.
struct Repeats {
  double sd_percent = kUsualRepeatabilityPercent;
  std::optional<Repeatability> seen;
  /// Per cent, and runs per belt (over all pulleys); none when a thousand do not tell.
  std::vector<std::pair<double, std::optional<int>>> needed;
};

Repeats repeats_for(const Book& book, const BeltPlan& plan) {
  Repeats repeats;
  repeats.seen = repeatability(book, book.get(PartKind::kMachine, plan.machine).id);
  if (repeats.seen) repeats.sd_percent = repeats.seen->percent;
  for (const double percent : {1.0, 2.0, 5.0})
    repeats.needed.emplace_back(
        percent,
        repeats_to_tell_apart(percent, repeats.sd_percent,
                              static_cast<int>(std::max<std::size_t>(2, plan.belts.size())),
                              static_cast<int>(plan.motor_pulleys.size())));
  return repeats;
}

void print_plan(const Arguments& arguments, const Book& book, const BeltPlan& plan) {
  const std::vector<StepState> states = progress(book, plan);
  const Repeats repeats = repeats_for(book, plan);
  if (arguments.json()) {
    Json steps = Json::array();
    for (const StepState& state : states) steps.push_back(state_json(state));
    Json needed = Json::array();
    for (const auto& [percent, runs] : repeats.needed)
      needed.push_back(
          {{"difference_percent", percent}, {"runs_per_belt", runs ? Json(*runs) : Json()}});
    const auto next = next_step(states);
    print_json({{"plan", plan.name},
                {"machine", plan.machine},
                {"seed", plan.seed},
                {"steps", steps},
                {"next", next ? Json(*next) : Json()},
                {"repeatability_percent", repeats.sd_percent},
                {"repeatability_seen", repeats.seen.has_value()},
                {"repeats_needed", needed}});
    return;
  }
  say(arguments, fmt::format("Plan {} for machine {} (seed {}), {} runs:", plan.name, plan.machine,
                             plan.seed, states.size()));
  const std::string* block = nullptr;
  for (std::size_t i = 0; i < states.size(); ++i) {
    const StepState& state = states[i];
    if (!state.step.motor_pulley.empty() && (!block || *block != state.step.motor_pulley))
      say(arguments, "  Motor pulley " + state.step.motor_pulley + ":");
    block = &state.step.motor_pulley;
    std::string done = state.top_speed ? fmt::format("run {}", state.top_speed) : "";
    if (!state.top_speed && state.slip_check) done = fmt::format("slip check {}", state.slip_check);
    say(arguments, fmt::format("  [{}] {:>3}  round {}  {}{}", state.top_speed ? "x" : " ", i + 1,
                               state.step.round, state.step.belt, done.empty() ? "" : "  " + done));
  }
  std::cout << (repeats.seen
                    ? fmt::format("A top speed repeats within {:.2f} % here ({} degrees of "
                                  "freedom), as recorded: before 'loadline-fit belts' corrects "
                                  "for the supply and refuses runs.\n",
                                  repeats.sd_percent, repeats.seen->degrees_of_freedom)
                    : fmt::format("How well a top speed repeats here is not known yet; {:.1f} % is "
                                  "assumed.\n",
                                  repeats.sd_percent));
  for (const auto& [percent, runs] : repeats.needed)
    std::cout << fmt::format("  to tell belts {:.0f} % apart: {} runs of each belt\n", percent,
                             runs ? std::to_string(*runs) : "more than 1000");
}

RecordOrder order_for(const BeltPlan& plan, const BeltPlan::Step& step, RunKind kind) {
  RecordOrder order;
  order.kind = kind;
  order.mounting.machine = plan.machine;
  if (!plan.motor.empty()) order.mounting.motor = plan.motor;
  order.mounting.belt = step.belt;
  if (!step.motor_pulley.empty()) order.mounting.motor_pulley = step.motor_pulley;
  if (!plan.hand_pulley.empty()) order.mounting.hand_pulley = plan.hand_pulley;
  return order;
}

std::string command_for(const BeltPlan& plan, const StepState& state, RunKind kind) {
  std::string words = fmt::format("loadline-logger record {} --machine {}", run_kind_name(kind),
                                  shell_word(plan.machine));
  if (!plan.motor.empty()) words += " --motor " + shell_word(plan.motor);
  words += " --belt " + shell_word(state.step.belt);
  if (!state.step.motor_pulley.empty())
    words += " --motor-pulley " + shell_word(state.step.motor_pulley);
  if (!plan.hand_pulley.empty()) words += " --hand-pulley " + shell_word(plan.hand_pulley);
  if (kind == RunKind::kTopSpeed) words += fmt::format(" --slip-check {}", state.slip_check);
  return words + " --port PATH";
}

/// One recording of the walk; false when the person leaves.
bool record_step(const Arguments& arguments, Book& book, const RecordOrder& order,
                 const std::string& prompt, RecordReport& report) {
  const bool yes = arguments.flag("yes");
  std::cerr << cautions_before(order.kind);
  if (!yes && !wait_for_enter(prompt + ", then press Enter (q leaves): ")) return false;
  const Part rig = rig_of(book, arguments.text("rig"));
  RigLine line = open_rig_line(line_options(arguments), &rig);
  SystemClock clock;
  ConsoleAttendant attendant({yes, true});
  if (at_terminal()) std::cerr << kHowToStop;
  report = carry_out(order, book, rig, line, clock, attendant);
  say(arguments, summary(report));
  throw_fault(report);
  return true;
}

int walk(const Arguments& arguments, Book& book, const BeltPlan& plan) {
  if (!arguments.flag("yes") && !at_terminal())
    throw Error(Fault::kInput,
                "nobody is there to change belts; walk through a plan at a terminal, "
                "or with --yes and a rig that changes them by itself.");
  for (;;) {
    const std::vector<StepState> states = progress(book, plan);
    const auto next = next_step(states);
    if (!next) break;
    const StepState& state = states[*next];
    RecordReport report;
    std::cerr << fmt::format("\nStep {} of {}: {}.\n", *next + 1, states.size(),
                             step_words(state.step));
    const RecordOrder slip = order_for(plan, state.step, RunKind::kSlipCheck);
    if (!record_step(arguments, book, slip,
                     "Mount " + step_words(state.step) + ", hold the hand wheel", report))
      return 0;
    const bool set = report.slip && report.slip->word == "set";
    if (!set && !arguments.flag("yes")) continue;  // the sentence says what to turn; check again
    RecordOrder top = order_for(plan, state.step, RunKind::kTopSpeed);
    top.mounting.slip_check = report.run.id;
    if (arguments.has("for")) top.for_s = seconds_for(arguments, 0);
    if (!record_step(arguments, book, top, "Free the hand wheel, full speed", report)) return 0;
    if (arguments.flag("one")) return 0;
  }
  say(arguments,
      "The plan is complete. Next: loadline-fit belts --machine " + shell_word(plan.machine));
  return 0;
}

int show_next(const Arguments& arguments, const Book& book, const BeltPlan& plan) {
  const std::vector<StepState> states = progress(book, plan);
  const auto next = next_step(states);
  if (!next) {
    say(arguments,
        "The plan is complete. Next: loadline-fit belts --machine " + shell_word(plan.machine));
    if (arguments.json()) print_json({{"plan", plan.name}, {"next", nullptr}});
    return 0;
  }
  const StepState& state = states[*next];
  const RunKind kind = state.slip_check ? RunKind::kTopSpeed : RunKind::kSlipCheck;
  say(arguments, fmt::format("Step {} of {}: {}.\n  {}", *next + 1, states.size(),
                             step_words(state.step), command_for(plan, state, kind)));
  if (arguments.json()) {
    Json document = state_json(state);
    document["plan"] = plan.name;
    document["next"] = *next;
    document["command"] = command_for(plan, state, kind);
    print_json(document);
  }
  return 0;
}

void require_doing(const std::string& what) {
  for (const char* known : {"belts", "show", "next", "walk"})
    if (what == known) return;
  throw Error(Fault::kInput, fmt::format("'{}' is nothing that plan does; say belts, show, next or "
                                         "walk.",
                                         what));
}

int plan(const Arguments& arguments) {
  const std::string& what = arguments.name(0, "what to do (belts, show, next or walk)");
  require_doing(what);
  Book book = Book::open(arguments.book_path(),
                         what == "show" || what == "next" ? Book::Mode::kRead : Book::Mode::kWrite);
  const std::string name = arguments.names().size() > 1 ? arguments.names()[1] : "";
  if (what == "belts") {
    BeltPlan made = plan_from(arguments);
    require_names(book, made);
    if (book.document("plan/" + made.name) && !arguments.flag("replace"))
      throw Error(Fault::kInput,
                  fmt::format("the book holds a plan '{}' already; choose another name, "
                              "or add --replace.",
                              made.name));
    made.made_utc = SystemClock().utc();
    draw_order(made);
    keep_plan(book, made);
    print_plan(arguments, book, made);
    say(arguments, "Next: loadline-logger plan walk " + shell_word(made.name) + " --port PATH");
    return 0;
  }
  const BeltPlan known = load_plan(book, name);
  if (what == "show") return print_plan(arguments, book, known), 0;
  if (what == "next") return show_next(arguments, book, known);
  return walk(arguments, book, known);
}

}  // namespace

Verb plan_verb() {
  Verb verb;
  verb.name = "plan";
  verb.words = "belts|show|next|walk [NAME]";
  verb.summary = "plan a comparison of belts in random order, and walk through it";
  verb.description =
      "'belts' draws the order of belts, motor pulleys and repeats and keeps it in the book; "
      "'show' prints it as a checklist and says how many repeats tell 1, 2 and 5 % apart; 'next' "
      "names the next run; 'walk' goes through the open steps with the rig: mount, slip check, top "
      "speed. A walk may be left and taken up again at any time: what is done is seen from the "
      "runs.";
  verb.example =
      "loadline-logger plan belts evening --machine Anvil --belt Red --belt Ring --motor-pulley "
      "P18 --repeats 4\n"
      "loadline-logger plan walk evening --port /dev/ttyUSB0";
  verb.most_names = 2;
  verb.first_words = "belts show next walk";
  auto& options = verb.options;
  add_line_options(options);
  const auto text = [&](const char* option, const char* value, const char* help) {
    options.add_options()(option, po::value<std::string>()->value_name(value), help);
  };
  const auto texts = [&](const char* option, const char* value, const char* help) {
    options.add_options()(option, po::value<std::vector<std::string>>()->value_name(value), help);
  };
  const auto whole = [&](const char* option, const char* help) {
    options.add_options()(option, po::value<long long>()->value_name("N"), help);
  };
  text("rig", "R", "the rig (needless when the book knows only one)");
  text("machine", "K", "the machine that the belts drive");
  text("motor", "M", "the motor");
  texts("belt", "B", "a belt to compare; repeat for each");
  texts("motor-pulley", "P", "a motor pulley to compare on; repeat for each");
  text("hand-pulley", "H", "the pulley on the machine");
  whole("repeats", "rounds per pulley (3)");
  whole("seed", "of the random order (else drawn)");
  options.add_options()("for", po::value<double>()->value_name("SECONDS"),
                        "length of the top-speed runs of a walk");
  options.add_options()("replace", po::bool_switch(), "overwrite a plan of this name");
  options.add_options()("one", po::bool_switch(), "walk one step only");
  options.add_options()("yes", po::bool_switch(), "answer the cautions and questions with yes");
  add_common_options(options);
  verb.run = plan;
  return verb;
}

}  // namespace loadline
