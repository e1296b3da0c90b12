#include "fit/choose/drawer/drawer.h"

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>

#include "db/basis/error.h"
#include "db/basis/units.h"
#include "fit/belts/grooves/fit_check.h"
#include "fit/belts/grooves/length.h"
#include "fit/belts/grooves/seat.h"
#include "fit/belts/session.h"
#include "fit/choose/drawer/stored_parts.h"
#include "fit/drive/load_lines/supply.h"

namespace loadline {
namespace {

using Named = std::vector<std::pair<std::string, std::string>>;

// Each takes a few kilobytes and a tenth of a millisecond.
constexpr std::size_t kMostCandidates = 200'000;

class DrawerReader {
 public:
  DrawerReader(const Book& book, const Part& machine, const DrawerOptions& options)
      : book_(book), options_(options) {
    drawer_.machine = machine;
  }

  Drawer read() {
    read_machine();
    read_motors();
    read_pulleys();
    read_belts();
    mount_all();
    pair_all();
    return std::move(drawer_);
  }

 private:
  void leave_out(Named parts, std::string reason, bool unmeasured = false) {
    drawer_.left_out.push_back({std::move(parts), std::move(reason), unmeasured});
  }

  void read_machine() {
    const Part& machine = drawer_.machine;
    drawer_.machine_curve = curve_for(book_, machine);
    const std::vector<std::int64_t>& runs = drawer_.machine_curve->runs;
    if (runs.empty()) return;
    drawer_.machine_kind = book_.run(runs.back()).kind;
    const bool pairs = drawer_.machine_kind == RunKind::kCoastDown;
    drawer_.machine_runs = std::max<std::size_t>(1, pairs ? runs.size() / 2 : runs.size());
  }

  void read_motors() {
    bool undescribed = false;
    for (const Part& part : book_.parts(PartKind::kMotor)) try {
        if (part.text("pedal-of")) continue;  // with its pedal held it is no choice
        DrawerMotor motor = drawer_motor(book_, part);
        const SupplyWish wish{options_.supply_v, {}, {}};
        moved_to_supply(DriveCurve(*motor.curve), wish, part.name, drawer_.warnings);
        drawer_.motors.push_back(std::move(motor));
      } catch (const Error& error) {
        if (error.fault() == Fault::kBook) throw;
        undescribed = undescribed || error.fault() == Fault::kAnswerNo;
        leave_out({{"motor", part.name}}, error.what(), !book_.latest_curve(false, part.id));
      }
    if (drawer_.motors.empty() && undescribed)
      throw Error(Fault::kAnswerNo, drawer_.left_out.front().reason);
  }

  void read_pulleys() {
    for (const Part& pulley : book_.parts(PartKind::kPulley)) {
      if (pulley.number("pitch-mm") || pulley.number("rim-mm")) {
        drawer_.pulleys.push_back(pulley);
        continue;
      }
      leave_out({{pulley.text("role") == "hand" ? "hand_pulley" : "motor_pulley", pulley.name}},
                fmt::format("pulley '{}' has no diameter; run: loadline-db set pulley '{}' "
                            "--pitch-mm D (effective) or --rim-mm D",
                            pulley.name, pulley.name));
    }
  }

  // Belts with runs that can be compared; where no run can, all of them, without loss.
  void read_belts() {
    std::vector<Part> belts = book_.parts(PartKind::kBelt);
    if (belts.empty()) return;
    BeltSession session = read_belt_session(book_, drawer_.machine.id);
    keep_usable(belt_runs(book_, session));
    if (drawer_.seen.empty()) {
      SessionOptions any_slip;
      any_slip.any_slip = true;
      session = read_belt_session(book_, drawer_.machine.id, any_slip);
      keep_usable(belt_runs(book_, session));
      if (!drawer_.seen.empty())
        drawer_.warnings.emplace_back(
            "No top-speed run has a slip check that says how tight its belt was: the belts are "
            "compared as they ran.");
    }
    drawer_.belts_measured = !drawer_.seen.empty();
    if (!drawer_.belts_measured) {
      drawer_.belts = std::move(belts);
      drawer_.warnings.emplace_back(
          "No belt has a top-speed run that can be used: all of them are taken to slip nowhere "
          "and to lose nothing, so that the speeds are those of no real belt and the belts cannot "
          "be told apart. Record some with 'loadline-logger record top-speed'.");
      return;
    }
    for (Part& belt : belts) {
      const bool measured = std::any_of(drawer_.seen.begin(), drawer_.seen.end(),
                                        [&](const BeltRuns& one) { return one.belt == belt.id; });
      if (measured)
        drawer_.belts.push_back(std::move(belt));
      else
        leave_out({{"belt", belt.name}}, unmeasured(belt, session), true);
    }
  }

  std::string unmeasured(const Part& belt, const BeltSession& session) const {
    for (const RefusedRun& refused : session.refused)
      if (book_.run(refused.run).belt == belt.id)
        return fmt::format(
            "belt {} has no run that can be compared with those of the others (run "
            "{}: {})",
            belt.name, refused.run, refused.reason);
    return fmt::format(
        "belt {} has no top-speed run on {} with both tachometers, so that what it wastes is not "
        "known; record one with 'loadline-logger record top-speed'",
        belt.name, drawer_.machine.name);
  }

  // Runs on named pulleys with a motor whose curve is there.
  void keep_usable(std::vector<BeltRuns> all) {
    for (BeltRuns& one : all) {
      const auto motor = std::find_if(drawer_.motors.begin(), drawer_.motors.end(),
                                      [&](const DrawerMotor& m) { return m.part.id == one.motor; });
      if (motor == drawer_.motors.end() || !one.pulleys.motor || !one.pulleys.hand || !one.belt)
        continue;
      try {
        drawer_.seen_diameters.push_back(effective_diameters(
            book_.part(PartKind::kPulley, one.pulleys.motor),
            book_.part(PartKind::kPulley, one.pulleys.hand), book_.part(PartKind::kBelt, one.belt),
            options_.diameter_sd_m, drawer_.warnings));
      } catch (const Error& error) {
        if (error.fault() != Fault::kInput) throw;
        continue;  // its pulleys have no diameters, which leaves them out by themselves
      }
      correct_to_mean_supply(one, *motor->curve, *drawer_.machine_curve);
      drawer_.seen.push_back(std::move(one));
    }
    share_scatter(drawer_.seen);
  }

  // Whether a pulley's bore fits the shaft of what it goes on; else `parts` are left out.
  bool goes_on(const char* kind, const Part& turned, const Part& pulley, Named parts) {
    const auto shaft = turned.number("shaft-mm"), bore = pulley.number("bore-mm");
    if (!shaft || !bore) return true;
    const auto mismatch =
        bore_mismatch(fmt::format("{} {}", kind, turned.name), *shaft, pulley.name, *bore);
    if (mismatch) leave_out(std::move(parts), *mismatch);
    return !mismatch;
  }

  bool goes_on_machine(const Part& hand) {
    return goes_on("machine", drawer_.machine, hand, {{"hand_pulley", hand.name}});
  }

  void mount_all() {
    const std::vector<Part>& pulleys = drawer_.pulleys;
    const auto role = [](const Part& p) { return p.text("role").value_or(""); };
    for (std::size_t hand = 0; hand < pulleys.size(); ++hand) {
      if (role(pulleys[hand]) == "motor" || !goes_on_machine(pulleys[hand])) continue;
      for (std::size_t motor = 0; motor < pulleys.size(); ++motor) {
        if (motor == hand || role(pulleys[motor]) == "hand") continue;
        if (drawer_.belts.empty()) mount(motor, hand, {});
        for (std::size_t belt = 0; belt < drawer_.belts.size(); ++belt) mount(motor, hand, belt);
      }
    }
  }

  void mount(std::size_t motor, std::size_t hand, std::optional<std::size_t> belt) {
    const Part &small = drawer_.pulleys[motor], &large = drawer_.pulleys[hand];
    std::optional<Part> between;
    if (belt) between = drawer_.belts[*belt];
    if (between && !(seats(*between, small) && seats(*between, large))) return;
    std::vector<std::string> warnings;
    Mounting mounting{motor, hand, belt, {}};
    mounting.diameters =
        effective_diameters(small, large, between, options_.diameter_sd_m, warnings);
    if (!(mounting.diameters.ratio() > 1)) return;  // no pulley pair for a slower hand wheel
    if (between && !long_enough(*between, mounting, small, large)) return;
    append_new(drawer_.warnings, warnings);
    drawer_.mountings.push_back(mounting);
  }

  // Told once for each belt and pulley.
  bool seats(const Part& belt, const Part& pulley) {
    const auto mismatch = seat_mismatch(belt, pulley);
    if (!mismatch) return true;
    const bool told = std::any_of(drawer_.left_out.begin(), drawer_.left_out.end(),
                                  [&](const LeftOut& one) { return one.reason == *mismatch; });
    if (!told)
      leave_out({{"belt", belt.name},
                 {pulley.text("role") == "hand" ? "hand_pulley" : "motor_pulley", pulley.name}},
                *mismatch);
    return false;
  }

  bool long_enough(const Part& belt, const Mounting& mounting, const Part& small,
                   const Part& large) {
    const auto outside = belt.number("length-mm");
    if (options_.centres_mm.empty() || !outside) return true;
    std::string missing;
    const auto section = section_of(belt, missing);
    const double line =
        section ? tension_line_length(*outside, section->height_mm, section->kind == BeltKind::kV)
                : *outside;
    const double big = mm_from_m(mounting.diameters.hand.value);
    const double little = mm_from_m(mounting.diameters.motor.value);
    const auto [nearest, farthest] =
        std::minmax_element(options_.centres_mm.begin(), options_.centres_mm.end());
    std::string reason;
    try {
      const double wanted = centre_for_length(line, big, little);
      if (wanted >= *nearest && wanted <= *farthest) return true;
      reason = fmt::format(
          "belt {} on these pulleys wants the motor at {:.1f} mm from the hand wheel, and it can "
          "stand from {:.1f} to {:.1f} mm",
          belt.name, wanted, *nearest, *farthest);
    } catch (const Error&) {
      reason = fmt::format("belt {} is too short to go round these pulleys", belt.name);
    }
    leave_out({{"motor_pulley", small.name}, {"hand_pulley", large.name}, {"belt", belt.name}},
              reason);
    return false;
  }

  bool goes_on_motor(const DrawerMotor& motor, const Part& pulley) {
    return goes_on("motor", motor.part, pulley,
                   {{"motor", motor.part.name}, {"motor_pulley", pulley.name}});
  }

  // The runs nearest to this place.
  std::optional<std::size_t> best_seen(const DrawerMotor& motor, const Mounting& mounting) const {
    if (!mounting.belt || drawer_.seen.empty()) return std::nullopt;
    std::optional<std::size_t> best;
    double least = 0;
    for (std::size_t k = 0; k < drawer_.seen.size(); ++k) {
      const BeltRuns& one = drawer_.seen[k];
      if (one.belt != drawer_.belts[*mounting.belt].id) continue;
      const double away = belt_distance(
          mounting.diameters.motor.value, drawer_.seen_diameters[k].motor.value,
          one.motor == motor.part.id, one.pulleys.hand == drawer_.pulleys[mounting.hand_pulley].id);
      if (best && away >= least) continue;
      best = k;
      least = away;
    }
    return best;
  }

  void pair_all() {
    for (std::size_t m = 0; m < drawer_.motors.size(); ++m) {
      const DrawerMotor& motor = drawer_.motors[m];
      std::vector<int> fits(drawer_.pulleys.size(), -1);
      for (std::size_t k = 0; k < drawer_.mountings.size(); ++k) {
        const std::size_t pulley = drawer_.mountings[k].motor_pulley;
        if (fits[pulley] < 0) fits[pulley] = goes_on_motor(motor, drawer_.pulleys[pulley]);
        if (fits[pulley] == 0) continue;
        drawer_.candidates.push_back({m, k, best_seen(motor, drawer_.mountings[k])});
      }
      if (drawer_.candidates.size() > kMostCandidates)
        throw Error(Fault::kInput,
                    fmt::format("the book's parts go together in more than {} ways; tell the "
                                "pulleys' roles and bores ('loadline-db set pulley NAME --role "
                                "motor|hand --bore-mm D'), which leaves out most of them.",
                                kMostCandidates));
    }
  }

  const Book& book_;
  const DrawerOptions& options_;
  Drawer drawer_;
};

}  // namespace

bool Drawer::evenings() const {
  return machine_curve->another_evening &&
         std::any_of(motors.begin(), motors.end(),
                     [](const DrawerMotor& m) { return m.curve->another_evening.has_value(); });
}

bool Drawer::unmeasured() const {
  return std::any_of(left_out.begin(), left_out.end(),
                     [](const LeftOut& one) { return one.unmeasured; });
}

Drawer read_drawer(const Book& book, const Part& machine, const DrawerOptions& options) {
  return DrawerReader(book, machine, options).read();
}

}  // namespace loadline
