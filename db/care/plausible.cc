#include "db/care/plausible.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"
#include "db/sql/statement.h"
#include "db/sql/text.h"

namespace loadline {
namespace {

using namespace plausible;
using Member = double ImportedReading::*;

std::string few(double value) { return fmt::format("{:.3g}", value); }

/// The values of one channel that are there.
std::vector<double> values_of(const RunSurvey& survey, Member member) {
  std::vector<double> values;
  for (const ImportedReading& row : survey.rows())
    if (!std::isnan(row.*member)) values.push_back(row.*member);
  return values;
}

double highest(const std::vector<double>& values) {
  return values.empty() ? std::nan("") : *std::max_element(values.begin(), values.end());
}

double mean(std::span<const double> values) {
  double sum = 0;
  for (const double value : values) sum += value;
  return values.empty() ? std::nan("") : sum / static_cast<double>(values.size());
}

// Of the first or last twentieth, three values at least.
double mean_of_end(const std::vector<double>& values, bool last) {
  const std::size_t some = std::min(values.size(), std::max<std::size_t>(3, values.size() / 20));
  const std::span<const double> all(values);
  return mean(last ? all.last(some) : all.first(some));
}

double quantile(std::vector<double> values, double share) {
  const auto at =
      values.begin() + static_cast<std::ptrdiff_t>(share * static_cast<double>(values.size() - 1));
  std::nth_element(values.begin(), at, values.end());
  return *at;
}

// The greatest power over three rows in succession, so that one wild row does not decide.
double peak_power(const RunSurvey& survey) {
  std::vector<double> powers;
  for (const ImportedReading& row : survey.rows())
    if (!std::isnan(row.torque_nm) && !std::isnan(row.motor_rpm))
      powers.push_back(std::fabs(row.torque_nm * rad_per_s_from_rpm(row.motor_rpm)));
  double peak = powers.size() < 3 ? highest(powers) : 0;
  for (std::size_t i = 2; i < powers.size(); ++i)
    peak = std::max(peak, std::min({powers[i - 2], powers[i - 1], powers[i]}));
  return peak;
}

/// Everything that the judgements look at.
struct Judged {
  const Book& book;
  const Run& run;
  const RunSurvey& survey;
  std::vector<double> motor, handwheel, torque, supply, temperature;
  std::optional<Part> of_motor;
  std::vector<std::string> found;

  void say(std::string clause) { found.push_back(std::move(clause)); }
  bool timed() const { return !run.steady; }
  bool many() const { return survey.rows().size() >= static_cast<std::size_t>(kRowsOfOneValue); }
  std::optional<double> plate(const char* field) const {
    return of_motor ? of_motor->number(field) : std::nullopt;
  }
  /// The tachometer that tells the course of the run.
  const std::vector<double>& course() const {
    const bool by_motor = run.kind != RunKind::kCoastDown || handwheel.empty();
    return by_motor && !motor.empty() ? motor : handwheel;
  }
};

void judge_power(Judged& j) {
  const double peak = peak_power(j.survey);
  if (std::isnan(peak) || peak == 0) return;
  const auto rated = j.plate("rated-w");
  if (peak > kMostPowerW || (rated && peak > kMostOfRated * *rated))
    j.say(
        fmt::format("torque and speed make {} W{}; check the unit of the torque (mN·m or g·cm "
                    "instead of N·m?)",
                    few(peak), rated ? fmt::format(" of a motor of {} W", few(*rated)) : ""));
  if (j.run.kind != RunKind::kBrake) return;
  if (rated && peak < kLeastOfRated * *rated)
    j.say(fmt::format("torque and speed make only {} W of a motor of {} W; check their units",
                      few(peak), few(*rated)));
  else if (peak < kLeastBrakePowerW)
    j.say(fmt::format("torque and speed make only {} W; check their units", few(peak)));
}

void judge_run_up(Judged& j) {
  if (j.run.kind != RunKind::kSpinUp || !j.run.inertia_kgm2 || j.motor.empty()) return;
  const double top = rad_per_s_from_rpm(highest(j.motor));
  const double power = 0.5 * *j.run.inertia_kgm2 * top * top / j.survey.duration_s();
  const auto rated = j.plate("rated-w");
  if (power > kMostPowerW || (rated && power > kMostOfRated * *rated))
    j.say(
        fmt::format("to bring {} kg·m² to that speed takes {} W; check the unit of "
                    "--inertia-kgm2 (1 kg·cm² is 0.0001)",
                    few(*j.run.inertia_kgm2), few(power)));
  if (power < kLeastRunUpW && top > 0)
    j.say(
        fmt::format("to bring {} kg·m² to that speed takes only {} W; check the unit of "
                    "--inertia-kgm2, or of the speeds",
                    few(*j.run.inertia_kgm2), few(power)));
}

void judge_times(Judged& j) {
  if (!j.timed() || j.survey.count() < 2) return;
  const double interval = j.survey.interval_s(), length = j.survey.duration_s();
  if (interval < kLeastIntervalS)
    j.say(fmt::format("rows follow each other every {} s; check the unit of the times",
                      few(interval)));
  const bool coasting = j.run.kind == RunKind::kCoastDown || j.run.kind == RunKind::kSpinUp;
  const bool apart = interval > kMostIntervalS && (coasting || j.survey.count() >= kManyRows);
  if (apart)
    j.say(fmt::format("rows are {} s apart; check the unit of the times (ms instead of s?){}",
                      few(interval),
                      coasting ? "" : ", or leave time_s out if the rows are steady points"));
  else if (j.run.kind == RunKind::kCoastDown && length < kShortestCoastS)
    j.say(
        fmt::format("a coast-down of {} s is very short; check the unit of the times (min instead "
                    "of s?)",
                    few(length)));
  else if ((coasting && length > kLongestCoastS) ||
           (j.run.kind == RunKind::kSlipCheck && length > kLongestSlipCheckS))
    j.say(fmt::format("a {} of {} s is very long; check the unit of the times (ms instead of s?)",
                      run_kind_name(j.run.kind), few(length)));
}

// By how much a speed rises again after it has fallen from its highest: of medians of a twentieth
// of the rows, so that pulses counted twice do not decide.
double rise_after_fall(const std::vector<double>& rpm, double top) {
  constexpr std::size_t kPieces = 20;
  constexpr double kNearTop = 0.9;
  const std::size_t each = std::max<std::size_t>(3, rpm.size() / kPieces);
  const std::span<const double> all(rpm);
  bool at_top = false;
  double lowest = top, rise = 0;
  for (std::size_t at = 0; at + each <= rpm.size(); at += each) {
    const auto piece = all.subspan(at, each);
    const double middle = quantile({piece.begin(), piece.end()}, 0.5);
    at_top = at_top || *std::max_element(piece.begin(), piece.end()) > kNearTop * top;
    if (!at_top) continue;  // being driven up
    lowest = std::min(lowest, middle);
    rise = std::max(rise, middle - lowest);
  }
  return rise;
}

void judge_speed(Judged& j, const std::vector<double>& rpm, const char* which, double most) {
  if (rpm.empty()) return;
  const double top = highest(rpm);
  if (top > most)
    j.say(fmt::format("the {} runs at {} rpm; check the unit of its speed", which, few(top)));
  double size = 0;
  for (const double value : rpm) size = std::max(size, std::fabs(value));
  if (size == 0) {
    // Of two shafts one may well stand: the hand wheel on the brake bench, the motor when the belt
    // is off.
    const auto turns = [](double value) { return value != 0 && !std::isnan(value); };
    if (std::none_of(j.motor.begin(), j.motor.end(), turns) &&
        std::none_of(j.handwheel.begin(), j.handwheel.end(), turns))
      j.say(fmt::format("the {} stands still all the time; check its column", which));
    return;
  }
  const double least = &rpm == &j.motor ? kLeastMotorRpm : kLeastHandwheelRpm;
  if (j.run.kind != RunKind::kSlipCheck && size < least)
    j.say(
        fmt::format("the {} comes to {} rpm only; check the unit of its speed", which, few(size)));
  const auto backward =
      std::count_if(rpm.begin(), rpm.end(), [&](double v) { return v < -kBackwardOfTop * size; });
  if (static_cast<double>(backward) > kBackwardShare * static_cast<double>(rpm.size()))
    j.say(fmt::format("the {} runs backwards (speeds below zero); give speeds without a sign",
                      which));
  const bool changes = j.run.kind == RunKind::kBrake || j.run.kind == RunKind::kCoastDown ||
                       j.run.kind == RunKind::kSpinUp;
  if (j.timed() && changes && j.many() && std::equal(rpm.begin() + 1, rpm.end(), rpm.begin()))
    j.say(
        fmt::format("the speed of the {} is {} rpm in every row; check its column or the kind of "
                    "the run",
                    which, few(top)));
}

double pulley_ratio(const Judged& j) {
  const auto diameter = [&](std::int64_t id) {
    if (id == 0) return 0.0;
    const Part pulley = j.book.part(PartKind::kPulley, id);
    return pulley.number("pitch-mm").value_or(pulley.number("rim-mm").value_or(0));
  };
  const double small = diameter(j.run.motor_pulley), large = diameter(j.run.hand_pulley);
  return small > 0 ? large / small : 0;
}

void judge_ratio(Judged& j) {
  if (j.run.kind == RunKind::kSlipCheck) return;  // the hand wheel is held
  std::vector<double> ratios;
  const double top = highest(j.handwheel);
  for (const ImportedReading& row : j.survey.rows())
    if (row.motor_rpm > 0 && row.handwheel_rpm > 0.3 * top)
      ratios.push_back(row.motor_rpm / row.handwheel_rpm);
  if (ratios.empty()) return;
  const double ratio = quantile(ratios, 0.5), expected = pulley_ratio(j);
  if (ratio < kLeastRatio || ratio > kMostRatio)
    j.say(
        fmt::format("the motor turns {} times while the hand wheel turns once; check the units of "
                    "both speeds",
                    few(ratio)));
  else if (expected > 0 && (ratio > kMostRatioOff * expected || expected > kMostRatioOff * ratio))
    j.say(
        fmt::format("the motor turns {} times while the hand wheel turns once, by the pulleys {} "
                    "times; check the units of both speeds, and the pulleys",
                    few(ratio), few(expected)));
}

// At a lower voltage any speed below the usual one is in order.
bool at_full_voltage(const Judged& j) {
  const auto rated = j.plate("rated-v");
  const double volts =
      j.supply.empty() ? j.run.supply_v.value_or(std::nan("")) : quantile(j.supply, 0.5);
  return rated && !std::isnan(volts) && volts > 0.7 * *rated;
}

void judge_against_plate(Judged& j) {
  const auto most = j.plate("max-rpm");
  if (most && !j.motor.empty()) {
    const double top = highest(j.motor);
    const bool free = j.run.kind == RunKind::kNoLoad || j.run.kind == RunKind::kSpinUp;
    if (free && at_full_voltage(j) && top < kLeastOfMaxRpm * *most)
      j.say(
          fmt::format("the motor runs at {} rpm at most and is permitted {} rpm; check the unit of "
                      "its speed (rad/s instead of rpm?)",
                      few(top), few(*most)));
  }
  const auto rated = j.plate("rated-v");
  const double volts =
      std::max(j.supply.empty() ? 0.0 : quantile(j.supply, 0.5), j.run.supply_v.value_or(0));
  if (volts > kMostSupplyV || (rated && volts > kMostOfRatedV * *rated))
    j.say(fmt::format("the supply is {} V{}; check its unit", few(volts),
                      rated ? fmt::format(" for a motor of {} V", few(*rated)) : ""));
}

void judge_torque(Judged& j) {
  if (j.run.kind == RunKind::kBrake && j.torque.empty()) {
    j.say("a brake run needs a column torque_nm; add it, or give the kind of run that it is");
    return;
  }
  if (j.torque.empty()) return;
  double size = 0;
  for (const double torque : j.torque) size = std::max(size, std::fabs(torque));
  if (size > (j.run.kind == RunKind::kBrake ? kMostBrakeTorqueNm : kMostTorqueNm))
    j.say(fmt::format("a torque of {} N·m is in it; check its unit", few(size)));
  if (j.run.kind != RunKind::kBrake) return;
  const bool one_value = std::equal(j.torque.begin() + 1, j.torque.end(), j.torque.begin());
  if (size == 0)
    j.say("no row has any torque; check the load cell, or the kind of the run");
  else if (size < kLeastBrakeTorqueNm)
    j.say(fmt::format("no torque is above {} N·m; check its unit (kN·m, kgf·m?)", few(size)));
  else if (mean(j.torque) < 0)
    j.say(
        "the torque is negative over most of the run; turn its sign (the reaction on the brake is "
        "positive)");
  else if (j.timed() && j.many() && one_value)
    j.say(fmt::format("the torque is {} N·m in every row; check the load cell", few(size)));
}

void judge_temperature(Judged& j) {
  if (j.temperature.empty()) return;
  const double middle = quantile(j.temperature, 0.5);
  if (middle < kLowestC || middle > kHighestC)
    j.say(fmt::format("a temperature of {} °C is in it; check its unit", few(middle)));
}

// Readings of one speed, typed one by one.
void judge_typed(Judged& j) {
  if (!j.run.steady || (j.run.kind != RunKind::kTopSpeed && j.run.kind != RunKind::kNoLoad)) return;
  const std::vector<double>& rpm = j.run.kind == RunKind::kTopSpeed ? j.handwheel : j.motor;
  if (rpm.size() < 2) return;
  const double low = *std::min_element(rpm.begin(), rpm.end()), top = highest(rpm);
  if (low < kMostTopSpeedFall * top)
    j.say(
        fmt::format("readings of one speed go from {} to {} rpm; look for a digit too many or too "
                    "few",
                    few(low), few(top)));
}

void judge_kind(Judged& j) {
  const std::vector<double>& rpm = j.course();
  if (!j.timed() || rpm.size() < 6) return;
  const double top = highest(rpm), first = mean_of_end(rpm, false), last = mean_of_end(rpm, true);
  if (top <= 0) return;
  if (j.run.kind == RunKind::kCoastDown && last > kCoastEnd * top)
    j.say(fmt::format(
        "the speed does not fall from its highest, {} rpm, to the end of the run, so it "
        "is no coast-down; check --kind",
        few(top)));
  else if (j.run.kind == RunKind::kCoastDown && rise_after_fall(rpm, top) > kMostRiseOfCoast * top)
    j.say(
        "the speed falls and rises again, so it is no coast-down, or several; check --kind, or cut "
        "each out as a file of its own");
  if (j.run.kind == RunKind::kTopSpeed && last < kMostTopSpeedFall * top &&
      first > kMostTopSpeedFall * top)
    j.say(
        fmt::format("the speed falls from {} to {} rpm, so it is no top speed; check --kind "
                    "(coast-down?)",
                    few(first), few(last)));
  if (j.run.kind == RunKind::kSpinUp && first > kCoastEnd * top && last < 0.7 * top)
    j.say("the speed only falls, so it is no spin-up; check --kind (coast-down?)");
  if (j.run.kind != RunKind::kNoLoad) return;
  const std::vector<double> late(rpm.begin() + static_cast<std::ptrdiff_t>(rpm.size() / 3),
                                 rpm.end());
  const double low = quantile(late, 0.05), high = quantile(late, 0.95);
  if (high > kMostNoLoadSweep * std::max(low, 0.0))
    j.say(fmt::format(
        "the speed varies from {} to {} rpm, so it is no run without load; check --kind "
        "(brake?)",
        few(low), few(high)));
  const double torque = j.torque.empty() ? 0 : std::fabs(mean(j.torque));
  if (torque > kMostNoLoadTorqueNm &&
      torque * rad_per_s_from_rpm(quantile(rpm, 0.5)) > kMostNoLoadPowerW)
    j.say(
        fmt::format("it has a torque of {} N·m in the mean, so it is no run without load; check "
                    "--kind (brake?)",
                    few(torque)));
}

}  // namespace

void RunSurvey::take(std::span<const ImportedReading> rows) {
  constexpr std::size_t kMost = 4096;
  if (rows.empty()) return;
  if (count_ == 0) first_s_ = rows.front().time_s;
  last_s_ = rows.back().time_s;
  const auto size = static_cast<std::int64_t>(rows.size());
  const std::int64_t into_stride = count_ % stride_;
  for (std::int64_t i = into_stride == 0 ? 0 : stride_ - into_stride; i < size; i += stride_) {
    rows_.push_back(rows[static_cast<std::size_t>(i)]);
    if (rows_.size() < kMost) continue;
    for (std::size_t k = 1; 2 * k < kMost; ++k) rows_[k] = rows_[2 * k];
    rows_.resize(kMost / 2);
    // The next multiple of the doubled stride after row count_ + i.
    stride_ *= 2;
    const std::int64_t next = (count_ + i) / stride_ * stride_ + stride_;
    i = next - count_ - stride_;
  }
  count_ += size;
}

double RunSurvey::duration_s() const { return last_s_ - first_s_; }

double RunSurvey::interval_s() const {
  return count_ < 2 ? std::nan("") : duration_s() / static_cast<double>(count_ - 1);
}

std::vector<std::string> odd_calibration(double heaviest_g, const Calibration& fresh,
                                         const std::optional<Calibration>& last) {
  std::vector<std::string> found;
  if (heaviest_g < kLeastHeaviestG || heaviest_g > kMostHeaviestG)
    found.push_back(fmt::format(
        "the heaviest mass is {} g; masses are in grams, and kilograms are written with their unit "
        "(0.5kg)",
        few(heaviest_g)));
  if (!last) return found;
  const double change = std::fabs(fresh.slope_n_per_count / last->slope_n_per_count);
  if (change > kMostSlopeChange || change < 1 / kMostSlopeChange)
    found.push_back(fmt::format(
        "a count is {} times the force of the calibration before; check the unit of the masses, "
        "and keep another cell or amplifier as a rig of its own",
        few(change)));
  return found;
}

std::vector<std::pair<std::string, double>> large_inertias(const Run& run) {
  std::vector<std::pair<std::string, double>> found;
  const auto look = [&](const std::optional<double>& inertia, const char* field, double most) {
    if (inertia && *inertia > most) found.emplace_back(field, *inertia);
  };
  const bool whole_machine = run.kind == RunKind::kCoastDown;
  look(run.inertia_kgm2, "inertia-kgm2", whole_machine ? kMostMachineKgm2 : kMostDiscKgm2);
  look(run.added_inertia_kgm2, "added-inertia-kgm2",
       whole_machine && run.machine ? kMostMachineKgm2 : kMostDiscKgm2);
  return found;
}

std::vector<std::string> odd_inertias(const Run& run) {
  std::vector<std::string> found;
  for (const auto& [field, inertia] : large_inertias(run))
    found.push_back(
        fmt::format("--{} {} is more than such a shaft carries; check its unit (1 kg·cm² is "
                    "0.0001 kg·m²)",
                    field, few(inertia)));
  return found;
}

std::string odd_name(const Book& book, const Part& part) {
  for (const Part& other : book.parts(part.kind))
    if (other.id != part.id && other.name != part.name && folded(other.name) == folded(part.name))
      return fmt::format(
          "there is a {} '{}' already, which differs from '{}' in capitals or blanks only; use "
          "that name if it is the same one",
          part_kind_name(part.kind), other.name, part.name);
  return "";
}

std::vector<std::string> oddities(const Book& book, const Run& run, const RunSurvey& survey) {
  Judged j{book, run, survey, {}, {}, {}, {}, {}, {}, odd_inertias(run)};
  j.motor = values_of(survey, &ImportedReading::motor_rpm);
  j.handwheel = values_of(survey, &ImportedReading::handwheel_rpm);
  j.torque = values_of(survey, &ImportedReading::torque_nm);
  j.supply = values_of(survey, &ImportedReading::supply_v);
  j.temperature = values_of(survey, &ImportedReading::temperature_c);
  if (run.motor) j.of_motor = book.part(PartKind::kMotor, run.motor);
  judge_power(j);
  judge_run_up(j);
  judge_times(j);
  judge_speed(j, j.motor, "motor", kMostMotorRpm);
  if (run.kind != RunKind::kSlipCheck) judge_speed(j, j.handwheel, "hand wheel", kMostHandwheelRpm);
  judge_ratio(j);
  judge_against_plate(j);
  judge_torque(j);
  judge_temperature(j);
  judge_typed(j);
  judge_kind(j);
  return j.found;
}

std::int64_t same_content(const Book& book, const Run& run) {
  // Two readings of a hand tachometer may well be the same twice.
  constexpr int kFew = 3;
  if (run.steady && run.sample_count < kFew) return 0;
  Statement same(book.handle(),
                 "SELECT id FROM run WHERE content_hash = ? AND id <> ? AND kind = ? AND motor_id "
                 "IS ? AND machine_id IS ? AND belt_id IS ? AND slip_check_id IS ? ORDER BY id "
                 "LIMIT 1");
  same.bind(1, run.content_hash);
  same.bind(2, run.id);
  same.bind(3, run_kind_name(run.kind));
  same.bind_reference(4, run.motor);
  same.bind_reference(5, run.machine);
  same.bind_reference(6, run.belt);
  same.bind_reference(7, run.slip_check);
  return same.step() ? same.whole(0) : 0;
}

}  // namespace loadline
