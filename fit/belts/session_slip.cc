// The slip checks that the runs of a belt session lean on, and the band that they must lie in.
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <map>
#include <set>
#include <span>

#include "db/basis/json_read.h"
#include "fit/belts/session_parts.h"
#include "fit/readings/readings.h"

namespace loadline {
namespace {

// The slip checks, each read once.
class SlipChecks {
 public:
  explicit SlipChecks(const Book& book) : book_(book) {}

  /// Setting of the slip check that `run` leans on, or nullptr with `reason` filled.
  const SlipSetting* of(const Run& run, std::string& reason) {
    if (!run.slip_check) {
      reason = "it names no slip check";
      return nullptr;
    }
    const std::string check = fmt::format("its slip check (run {})", run.slip_check);
    try {
      const Run& checked = this->run(run.slip_check);
      reason = mismatch(run, checked, check);
      if (!reason.empty()) return nullptr;
      const SlipSetting& setting = this->setting(run.slip_check);
      if (setting.fault.empty()) return &setting;
      reason = check + " " + setting.fault;
    } catch (const Error& error) {
      if (error.fault() == Fault::kBook) throw;
      reason = check + " cannot be read: " + error.what();
    }
    return nullptr;
  }

  std::vector<SlipSetting> settings() const {
    std::vector<SlipSetting> all;
    for (const auto& [id, setting] : settings_) all.push_back(setting);
    return all;
  }

 private:
  const Run& run(std::int64_t id) {
    const auto at = runs_.find(id);
    return at != runs_.end() ? at->second : runs_.emplace(id, book_.run(id)).first->second;
  }

  const SlipSetting& setting(std::int64_t id) {
    const auto at = settings_.find(id);
    if (at != settings_.end()) return at->second;
    return settings_.emplace(id, slip_setting(load_readings(book_, id))).first->second;
  }

  static std::string mismatch(const Run& run, const Run& checked, const std::string& check) {
    const auto differs = [](std::int64_t a, std::int64_t b) { return a && b && a != b; };
    if (checked.kind != RunKind::kSlipCheck) return check + " is not a slip check";
    if (!checked.aside.empty()) return check + " is put aside: " + checked.aside;
    if (differs(checked.belt, run.belt)) return check + " was made with another belt";
    if (differs(checked.machine, run.machine)) return check + " was made on another machine";
    if (differs(checked.motor, run.motor)) return check + " was made with another motor";
    if (differs(checked.motor_pulley, run.motor_pulley) ||
        differs(checked.hand_pulley, run.hand_pulley))
      return check + " was made on other pulleys";
    return "";
  }

  const Book& book_;
  std::map<std::int64_t, Run> runs_;
  std::map<std::int64_t, SlipSetting> settings_;
};

std::optional<double> value_of(const std::optional<Estimate>& estimate) {
  return estimate ? estimate->value : std::nullopt;
}

void refuse_outside(std::span<const SlipBand> bands,
                    const std::vector<std::optional<double>>& values,
                    std::vector<Candidate>& candidates) {
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    const SlipBand& band = band_for(bands, candidates[i].reduced.block);
    if (!values[i] || band.holds(*values[i])) continue;
    const bool loose = (*values[i] > band.high) == (band.quantity == "creep speed");
    candidates[i].reasons.push_back(fmt::format(
        "slip setting outside the band: {} {} {} against {} ± {:.0f} %; {} the belt and repeat",
        band.quantity, significant(*values[i], 3), band.unit, significant(band.middle, 3),
        band.percent, loose ? "tighten" : "loosen"));
  }
}

// The band that slip checks at the bench were judged by: document "slip-band" of the book, by the
// machine's uuid. Taken when most checks of the session lie in it; else it is another day's.
std::optional<SlipBand> band_of_bench(const Book& book, std::int64_t machine,
                                      std::span<const SlipValue> creep) {
  const auto text = book.document("slip-band");
  if (!text) return std::nullopt;
  const Json document = Json::parse(*text, nullptr, false);
  const std::string key = book.part(PartKind::kMachine, machine).uuid;
  if (!document.is_object() || !document.contains(key) || !document[key].is_object())
    return std::nullopt;
  SlipBand band;
  band.quantity = "creep speed";
  band.unit = "rpm";
  band.low = number_in(document[key], "low_rpm").value_or(0);
  band.high = number_in(document[key], "high_rpm").value_or(0);
  if (!(band.high > band.low)) return std::nullopt;
  band.middle = (band.low + band.high) / 2;
  band.percent = 100 * (band.high - band.low) / 2 / band.middle;
  band.checks = creep.size();
  const auto inside = std::count_if(creep.begin(), creep.end(),
                                    [&](const SlipValue& v) { return band.holds(v.value); });
  if (2 * static_cast<std::size_t>(inside) <= creep.size()) return std::nullopt;
  return band;
}

void check_quantity(const Book& book, std::int64_t machine, const char* quantity, const char* unit,
                    const std::vector<std::optional<double>>& values, const SessionOptions& options,
                    std::vector<Candidate>& candidates, BeltSession& session) {
  std::vector<SlipValue> known;
  for (std::size_t i = 0; i < values.size(); ++i)
    if (values[i]) known.push_back({*values[i], candidates[i].reduced.block});
  if (known.empty()) return;
  std::vector<SlipBand> bands = slip_bands(quantity, unit, known, options.slip_band_percent);
  if (!options.slip_band_percent && std::string(quantity) == "creep speed")
    if (auto bench = band_of_bench(book, machine, known)) {
      // The bench's own band is for setting a belt anew; here the spread of the checks counts too.
      const double part = bands.front().percent / 100;
      bench->low = std::min(bench->low, bench->middle / (1 + part));
      bench->high = std::max(bench->high, bench->middle * (1 + part));
      bench->percent = 100 * (bench->high / bench->middle - 1);
      bands = {*bench};
    }
  if (std::string(quantity) == "creep speed")
    for (std::size_t i = 0; i < candidates.size(); ++i)
      if (const SlipBand& band = band_for(bands, candidates[i].reduced.block);
          values[i] && *values[i] > 0 && band.middle > 0 && !options.any_slip)
        candidates[i].reduced.setting = std::log(*values[i] / band.middle);
  if (!options.any_slip) refuse_outside(bands, values, candidates);
  session.bands.insert(session.bands.end(), bands.begin(), bands.end());
}

}  // namespace

void check_slip(const Book& book, std::int64_t machine, const SessionOptions& options,
                std::vector<Candidate>& candidates, BeltSession& session) {
  SlipChecks checks(book);
  std::vector<std::optional<double>> creep(candidates.size()), torque(candidates.size());
  std::set<std::int64_t> used;
  bool shared = false;
  for (std::size_t i = 0; i < candidates.size(); ++i) {
    std::string reason;
    if (!candidates[i].run.aside.empty()) continue;
    const SlipSetting* setting = checks.of(candidates[i].run, reason);
    if (setting) {
      creep[i] = value_of(setting->creep);
      torque[i] = value_of(setting->torque);
      shared = !used.insert(setting->run).second || shared;
    } else if (!options.any_slip) {
      candidates[i].reasons.push_back(reason);
    }
  }
  if (shared)
    session.warnings.emplace_back(
        "some runs share a slip check: whatever changed between them went unseen, and a shared "
        "setting is no repeat; check the slip before each run");
  if (options.any_slip)
    session.warnings.emplace_back(
        "slip settings were not looked at: a difference may be the belt's tension, not the belt");
  check_quantity(book, machine, "creep speed", "rpm", creep, options, candidates, session);
  check_quantity(book, machine, "torque", "N·m", torque, options, candidates, session);
  session.settings = checks.settings();
}

}  // namespace loadline
