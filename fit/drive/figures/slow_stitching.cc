#include "fit/drive/figures/slow_stitching.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <random>
#include <vector>

#include "fit/drive/load_lines/drive_constants.h"
#include "fit/drive/points/seam_turn.h"

namespace loadline {
namespace {

using namespace drive_chosen;

constexpr std::size_t kDraws = 300, kFewest = 60;
constexpr std::uint64_t kSeed = 1;

// What one pedal came to in the draws.
struct Drawn {
  std::vector<double> setting, drop, stall, least;
  std::size_t sewn = 0, stalls = 0;
};

// A motor's own friction cannot drive it.
bool can_be(const DriveCurve& motor, double motor_speed) {
  double own = 0, power = 1;
  for (const char* name : {"d0", "d1", "d2"}) {
    if (motor.has_parameter(name)) own += motor.parameter(name).value * power;
    power *= motor_speed;
  }
  return own >= 0;
}

class SlowDraws {
 public:
  explicit SlowDraws(const DriveDesk& desk) : desk_(desk), question_(desk.question()) {}

  void draw() {
    std::mt19937_64 random(kSeed);
    const SourceDraws draws(desk_.sources());
    std::normal_distribution<double> normal;
    for (std::size_t k = 0; k < kDraws; ++k) {
      const DriveSetup setup = desk_.drawn(draws.draw(random));
      const double inertia_error = normal(random);
      const double at_motor =
          motor_speed_at(setup.line, setup.machine, *question_.slow_speed).value;
      const bool possible = can_be(setup.motor, at_motor);
      possible_ += possible;
      take(setup, inertia_error, possible);
    }
  }

  double impossible() const { return 1 - static_cast<double>(possible_) / kDraws; }
  const Drawn& of(Pedal pedal) const { return drawn_[pedal]; }

  // The same at the best estimates.
  SeamTurn expected(const PedalFigures& pedal, double setting) const {
    return sewn(desk_.setup(), pedal.pedal, setting, 0);
  }

 private:
  // Marks need no guess of the motor's own friction.
  void take(const DriveSetup& setup, double inertia_error, bool possible) {
    DriveFindings found;
    find_slow(setup, question_, found);
    for (const PedalFigures& pedal : kPedalFigures) {
      if (!possible && pedal.pedal != Pedal::kMarks) continue;
      Drawn& to = drawn_[pedal.pedal];
      const auto keep = [&](Figure figure, std::vector<double>& values) {
        if (const auto& x = found.figures[figure]; x && std::isfinite(x->value))
          values.push_back(std::clamp(x->value, info(figure).least, info(figure).most));
      };
      keep(pedal.setting, to.setting);
      keep(pedal.drop, to.drop);
      keep(pedal.stall, to.stall);
      const auto& setting = found.slow[pedal.pedal].setting;
      if (!setting || !question_.machine_inertia) continue;
      const SeamTurn turn = sewn(setup, pedal.pedal, *setting, inertia_error);
      ++to.sewn;
      to.stalls += turn.stalls;
      to.least.push_back(turn.least_speed);
    }
  }

  SeamTurn sewn(const DriveSetup& setup, Pedal pedal, double setting, double inertia_error) const {
    const Uncertain& machine = *question_.machine_inertia;
    const double ratio = setup.line.ratio.value;
    const double inertia =
        std::max(machine.value + machine.sd * inertia_error, 0.1 * machine.value) +
        ratio * ratio * question_.rotor_inertia;
    SeamPush push;
    push.work = 2 * std::numbers::pi * question_.seam_nm;
    return sew_seam(with_pedal(*motor_with(setup, pedal), pedal, setting), setup.machine,
                    setup.line, inertia, *question_.slow_speed, push, 90);
  }

  const DriveDesk& desk_;
  const DriveQuestion& question_;
  ByPedal<Drawn> drawn_;
  std::size_t possible_ = 0;
};

void put_limits(DriveAnswer& answer, Figure figure, std::vector<double> values, bool median) {
  const auto line = std::find_if(answer.lines.begin(), answer.lines.end(),
                                 [&](const AnswerLine& one) { return one.figure == figure; });
  if (line == answer.lines.end() || values.size() < kFewest) return;
  std::sort(values.begin(), values.end());
  Estimate& e = line->estimate;
  if (median) e.value = info(figure).factor * quantile(values, 0.5);
  e.low = info(figure).factor * quantile(values, 0.025);
  e.high = info(figure).factor * quantile(values, 0.975);
  e.low = std::min(*e.low, *e.value);
  e.high = std::max(*e.high, *e.value);
}

// In the order of Figure, like the others; in place of one that stands there already.
void put_line(DriveAnswer& answer, Figure figure, double value, const std::string& beyond) {
  const AnswerLine line{figure, Estimate::exact(info(figure).factor * value, info(figure).unit),
                        beyond};
  const auto at = std::find_if(answer.lines.begin(), answer.lines.end(),
                               [&](const AnswerLine& one) { return one.figure >= figure; });
  if (at != answer.lines.end() && at->figure == figure)
    *at = line;
  else
    answer.lines.insert(at, line);
}

}  // namespace

void refine_slow_stitching(const DriveDesk& desk, DriveAnswer& answer) {
  if (!desk.question().slow_speed) return;
  DriveFindings expected;
  find_slow(desk.setup(), desk.question(), expected);
  if (std::none_of(kPedalFigures.begin(), kPedalFigures.end(), [&](const PedalFigures& pedal) {
        return expected.slow[pedal.pedal].setting.has_value();
      }))
    return;
  SlowDraws draws(desk);
  draws.draw();
  for (const PedalFigures& pedal : kPedalFigures) {
    const Drawn& drawn = draws.of(pedal.pedal);
    const auto& setting = expected.slow[pedal.pedal].setting;
    if (!setting || answer.slow[pedal.pedal] == SlowRunning::kNotAnswered) continue;
    const bool marks = pedal.pedal == Pedal::kMarks;
    const bool median = !marks && draws.impossible() > kNoticeable;
    if (marks || median || drawn.sewn > 0) {
      put_limits(answer, pedal.setting, drawn.setting, median);
      put_limits(answer, pedal.drop, drawn.drop, median);
      put_limits(answer, pedal.stall, drawn.stall, median);
    }
    if (drawn.sewn < kFewest) continue;
    const SeamTurn turn = draws.expected(pedal, *setting);
    const AnswerLine* of_setting = answer.find(pedal.setting);
    put_line(answer, pedal.least, turn.least_speed,
             of_setting ? of_setting->extrapolated : std::string());
    put_limits(answer, pedal.least, drawn.least, median);
    const double share = static_cast<double>(drawn.stalls) / static_cast<double>(drawn.sewn);
    answer.stalls[pedal.pedal] = share;
  }
}

}  // namespace loadline
