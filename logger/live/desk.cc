#include "logger/live/desk.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>

#include "db/care/plausible.h"
#include "logger/cautions.h"
#include "logger/live/plain_words.h"
#include "logger/live/typed_number.h"

namespace loadline {
namespace {

constexpr double kPointEveryS = 0.1;
constexpr std::size_t kMostPoints = 6'000;  // ten minutes; then every other one goes
constexpr double kIdleTraceS = 120;

Json optional_number(const std::optional<double>& value) {
  return value ? json_number(*value) : Json();
}

std::optional<std::string> wished_text(const Json& wish, const char* key) {
  const auto found = wish.find(key);
  if (found == wish.end() || !found->is_string()) return std::nullopt;
  const std::string text = found->get<std::string>();
  if (text.empty()) return std::nullopt;
  return text;
}

std::optional<std::int64_t> wished_run(const Json& wish, const char* key) {
  const auto number = typed_number(wish, key, "");
  if (!number) return std::nullopt;
  constexpr double kMostRuns = 1e9;  // far beyond a book, and exact as a whole number
  if (!(*number >= 1 && *number <= kMostRuns) || *number != std::floor(*number))
    throw Error(Fault::kInput, fmt::format("'{}' must be the number of a run.", key));
  return static_cast<std::int64_t>(*number);
}

RecordOrder order_from(const Json& wish) {
  if (!wish.is_object()) throw Error(Fault::kInput, "the order is no JSON object.");
  RecordOrder order;
  order.kind = kind_from(wished_text(wish, "kind").value_or(""));
  if (!cautions_before(order.kind).empty() && !wish.value("cautions_read", false))
    throw Error(Fault::kInput, "read the cautions first and tick that they are seen to.");
  order.mounting.motor = wished_text(wish, "motor");
  order.mounting.machine = wished_text(wish, "machine");
  order.mounting.belt = wished_text(wish, "belt");
  order.mounting.motor_pulley = wished_text(wish, "motor_pulley");
  order.mounting.hand_pulley = wished_text(wish, "hand_pulley");
  order.mounting.supply_v = typed_number(wish, "supply_v", "v");
  order.mounting.inertia_kgm2 = typed_number(wish, "inertia_kgm2", "kgm2");
  order.mounting.added_inertia_kgm2 = typed_number(wish, "added_inertia_kgm2", "kgm2");
  order.for_s = typed_number(wish, "for_s", "s");
  order.mounting.slip_check = wished_run(wish, "slip_check");
  return order;
}

/// The inertias that the page asks about once more: {"field", "value"}.
Json odd_json(const RecordOrder& order) {
  Run run;
  run.kind = order.kind;
  run.machine = order.mounting.machine ? 1 : 0;
  run.inertia_kgm2 = order.mounting.inertia_kgm2;
  run.added_inertia_kgm2 = order.mounting.added_inertia_kgm2;
  Json odd = Json::array();
  for (auto [field, value] : large_inertias(run)) {
    std::replace(field.begin(), field.end(), '-', '_');
    odd.push_back({{"field", field}, {"value", value}});
  }
  return odd;
}

Json mounted_json(const Mounting& mounting) {
  Json mounted = Json::object();
  const auto put = [&](const char* key, const std::optional<std::string>& name) {
    if (name) mounted[key] = *name;
  };
  put("motor", mounting.motor);
  put("machine", mounting.machine);
  put("belt", mounting.belt);
  put("motor_pulley", mounting.motor_pulley);
  put("hand_pulley", mounting.hand_pulley);
  return mounted;
}

Json reading_json(const LiveReading& reading) {
  return {{"elapsed_s", reading.elapsed_s},
          {"motor_rpm", optional_number(reading.motor_rpm)},
          {"handwheel_rpm", optional_number(reading.handwheel_rpm)},
          {"torque_nm", optional_number(reading.torque_nm)},
          {"torque_counts", optional_number(reading.torque_counts)},
          {"power_w", optional_number(reading.power_w())},
          {"supply_v", optional_number(reading.supply_v)},
          {"temperature_c", optional_number(reading.temperature_c)}};
}

/// Is a motor's standstill watched? "no calibration" where it should be and cannot.
Json standstill_watched(const std::optional<RecordOrder>& order, const RecordingView& view) {
  if (!order) return false;
  if (order->kind != RunKind::kBrake && order->kind != RunKind::kSpinUp) return false;
  if (view.run != 0 && !view.reading.torque_nm && view.reading.torque_counts)
    return "no calibration";
  return true;
}

Json alarm_json(const std::optional<SpeedAlarm>& alarm) {
  if (!alarm) return nullptr;
  return {{"of", alarm->of},
          {"name", alarm->name},
          {"rpm", json_number(alarm->rpm)},
          {"limit_rpm", json_number(alarm->limit_rpm)},
          {"over", alarm->over}};
}

/// Line by line, what is a command left out, and `but`, which the page says in words of its own.
std::string lines_on_page(const std::string& lines, const std::string& but) {
  std::string out;
  for (std::size_t at = 0; at < lines.size();) {
    const std::size_t end = std::min(lines.find('\n', at), lines.size());
    std::string line = lines.substr(at, end - at);
    line.erase(0, std::min(line.find_first_not_of(' '), line.size()));
    if (line != but) line = without_commands(line, "");
    if (line != but && !line.empty()) out += on_page(line) + "\n";
    at = end + 1;
  }
  return out;
}

constexpr double kStaleS = 2;  // figures that are older are no longer shown as those of now

}  // namespace

const char* LiveDesk::word(Phase phase) {
  switch (phase) {
    case Phase::kIdle:
      return "idle";
    case Phase::kRecording:
      return "recording";
    case Phase::kEnded:
      return "ended";
    case Phase::kFailed:
      return "failed";
  }
  return "";
}

void LiveDesk::news() { changed_.notify_all(); }

const Clock& LiveDesk::system_clock() {
  static const SystemClock clock;
  return clock;
}

LiveDesk::LiveDesk(bool may_start, const Clock& clock)
    : may_start_(may_start), clock_(clock), point_every_s_(kPointEveryS) {}

double LiveDesk::silent_s() const {
  return std::chrono::duration<double>(clock_.now() - heard_at_).count();
}

void LiveDesk::heard(const std::optional<WireIdentity>& rig) {
  const Lock lock(mutex_);
  rig_lacks_ = Json::object();
  rig_says_ = Json::object();
  if (!rig) return;
  if (rig->arm_um > 0) rig_says_["arm-mm"] = rig->arm_um * 1e-3;
  if (rig->cell_position == kWireCellOnBrake) rig_says_["cell"] = "brake";
  if (rig->cell_position == kWireCellOnMotor) rig_says_["cell"] = "motor";
  for (const RunKind kind : kRunKinds)
    if (const std::string lack = rig_lacks(kind, *rig); !lack.empty())
      rig_lacks_[run_kind_name(kind)] = lack;
}

void LiveDesk::rest(const std::string& trouble, const std::string& note) {
  const Lock lock(mutex_);
  if (trouble != rig_trouble_english_) {
    rig_trouble_english_ = trouble;
    rig_trouble_ = on_page(trouble);
  }
  if (phase_ == Phase::kIdle) message_ = on_page(note);
  if (!trouble.empty() || !note.empty()) view_.reading = {};
  order_.reset();
  news();
}

void LiveDesk::begin(const RecordOrder& order) {
  const Lock lock(mutex_);
  phase_ = Phase::kRecording;
  message_.clear();
  order_ = order;
  stop_ = false;
  view_ = {};
  rig_trouble_.clear();
  rig_trouble_english_.clear();
  interval_ = nullptr;
  points_.clear();
  dropped_ = 0;
  ++epoch_;
  point_every_s_ = kPointEveryS;
  coverage_.clear();
  last_ = Json::object();
  news();
}

void LiveDesk::show(const RecordingView& view) {
  const Lock lock(mutex_);
  if (view.reading.elapsed_s != view_.reading.elapsed_s) heard_at_ = clock_.now();
  view_ = view;
  if (order_ || phase_ == Phase::kIdle) add_point(view.reading);
  news();
}

void LiveDesk::add_point(const LiveReading& now) {
  if (!points_.empty() && now.elapsed_s < points_.back().time_s) {
    points_.clear();
    dropped_ = 0;
    ++epoch_;
  }
  if (!now.motor_rpm && !now.handwheel_rpm) return;
  if (!points_.empty() && now.elapsed_s < points_.back().time_s + point_every_s_) return;
  points_.push_back({now.elapsed_s, now.motor_rpm, now.handwheel_rpm, now.torque_nm});
  if (order_ && now.motor_rpm) coverage_.take(*now.motor_rpm);
  while (!order_ && points_.front().time_s < now.elapsed_s - kIdleTraceS) {
    points_.pop_front();
    ++dropped_;
  }
  if (points_.size() < kMostPoints) return;
  std::deque<Point> thinned;
  for (std::size_t i = 0; i < points_.size(); i += 2) thinned.push_back(points_[i]);
  points_.swap(thinned);
  dropped_ = 0;
  ++epoch_;
  point_every_s_ *= 2;
}

void LiveDesk::end(const RecordReport& report) {
  const Lock lock(mutex_);
  last_ = to_json(report);
  last_.erase("next");  // a command to type
  last_["summary"] = lines_on_page(summary(report), sentence(report.quality) + ".");
  for (Json& warning : last_["warnings"]) warning = on_page(warning.get<std::string>());
  last_["sentence"] = report.slip ? on_page(report.slip->sentence) : "";
  phase_ = Phase::kEnded;
  message_ = on_page(report.result.why);
  order_.reset();
  view_.reading = {};
  view_.speed_alarm.reset();
  news();
}

void LiveDesk::fail(const std::string& sentence) {
  const Lock lock(mutex_);
  phase_ = Phase::kFailed;
  message_ = on_page(sentence);
  order_.reset();
  view_.reading = {};
  view_.speed_alarm.reset();
  news();
}

void LiveDesk::set_calibration(Json calibration) {
  const Lock lock(mutex_);
  calibration_ = std::move(calibration);
  news();
}

void LiveDesk::set_interval(Json interval) {
  const Lock lock(mutex_);
  interval_ = std::move(interval);
  news();
}

void LiveDesk::set_bench(Json bench) {
  const Lock lock(mutex_);
  bench_ = std::move(bench);
  news();
}

std::optional<RecordOrder> LiveDesk::take_order() {
  const Lock lock(mutex_);
  std::optional<RecordOrder> order;
  std::swap(order, waiting_);
  return order;
}

std::optional<Json> LiveDesk::take_task() {
  const Lock lock(mutex_);
  if (tasks_.empty()) return std::nullopt;
  Json task = std::move(tasks_.front());
  tasks_.pop_front();
  return task;
}

void LiveDesk::tell_of_task(Json told) {
  const Lock lock(mutex_);
  if (told.value("run", std::int64_t{0}) == last_.value("run", std::int64_t{-1}))
    last_["aside"] = told.value("done", "") == "aside";
  told["number"] = told_.is_object() ? told_.value("number", 0) + 1 : 1;
  told_ = std::move(told);
  news();
}

void LiveDesk::place_task(const Json& task) {
  const Lock lock(mutex_);
  if (!may_start_) throw Error(Fault::kInput, "this page watches one recording only.");
  if (order_ || waiting_) throw Error(Fault::kInput, "a run is under way; do it after the run.");
  constexpr std::size_t kMostTasks = 16;
  if (tasks_.size() >= kMostTasks) throw Error(Fault::kInput, "too much at a time; wait a moment.");
  tasks_.push_back(task);
  news();
}

bool LiveDesk::recording() const {
  const Lock lock(mutex_);
  return order_.has_value() || waiting_.has_value();
}

bool LiveDesk::stop_asked() {
  const Lock lock(mutex_);
  return stop_;
}

Json LiveDesk::place_order(const Json& wish) {
  RecordOrder order = order_from(wish);
  if (Json odd = odd_json(order); !odd.empty() && !wish.value("meant", false))
    return {{"odd", std::move(odd)}};
  const Lock lock(mutex_);
  if (!may_start_) throw Error(Fault::kInput, "this page watches one recording only.");
  if (order_ || waiting_) throw Error(Fault::kInput, "a run is under way; stop it first.");
  waiting_ = std::move(order);
  news();
  return Json::object();
}

void LiveDesk::ask_stop() {
  const Lock lock(mutex_);
  stop_ = true;
  waiting_.reset();
}

Json LiveDesk::points_from(std::uint64_t& from, bool& anew) const {
  // `from` carries the epoch above the index, so that a new run sends its points from the start.
  constexpr std::uint64_t kEpoch = std::uint64_t{1} << 32;  // size_t may have 32 bits
  const auto seen = static_cast<std::size_t>(from / kEpoch == epoch_ ? from % kEpoch : 0);
  anew = seen == 0;
  Json points = Json::array();
  for (std::size_t i = seen > dropped_ ? seen - dropped_ : 0; i < points_.size(); ++i) {
    const Point& p = points_[i];
    points.push_back({json_number(p.time_s), optional_number(p.motor_rpm),
                      optional_number(p.handwheel_rpm), optional_number(p.torque_nm)});
  }
  from = epoch_ * kEpoch + dropped_ + points_.size();
  return points;
}

Json LiveDesk::coverage_json() const {
  const std::string kind = order_ ? run_kind_name(order_->kind) : last_.value("kind", "");
  if (phase_ == Phase::kIdle || kind != run_kind_name(RunKind::kBrake)) return nullptr;
  const SpeedCoverage::Hint hint = coverage_.hint();
  return {{"highest_rpm", coverage_.highest_rpm()},
          {"counts", coverage_.counts()},
          {"enough", SpeedCoverage::kEnough},
          {"hint", hint.kind},
          {"from_rpm", hint.from_rpm},
          {"to_rpm", hint.to_rpm}};
}

Json LiveDesk::state(std::uint64_t& from) const {
  const Lock lock(mutex_);
  bool anew = false;
  const Json points = points_from(from, anew);
  const double silent = silent_s();
  const bool stale = silent > kStaleS;
  Json state = {{"phase", word(phase_)},
                {"message", message_},
                {"rig_trouble", rig_trouble_},
                {"may_start", may_start_},
                {"run", view_.run},
                {"kind", order_ ? Json(run_kind_name(order_->kind)) : Json()},
                {"mounted", order_ ? mounted_json(order_->mounting) : Json::object()},
                {"reading", reading_json(stale ? LiveReading() : view_.reading)},
                {"silent_s", stale && order_ && view_.run != 0 ? json_number(silent) : Json()},
                {"samples", view_.counts.samples},
                {"committed", view_.committed},
                {"lost", view_.counts.lost},
                {"damaged", view_.counts.damaged + view_.counts.implausible},
                {"standstill_s", view_.standstill_s},
                {"standstill_left_s", optional_number(view_.standstill_left_s)},
                {"standstill_watched", standstill_watched(order_, view_)},
                {"speed_alarm", alarm_json(view_.speed_alarm)},
                {"rig_lacks", rig_lacks_},
                {"standstill_too_long", view_.standstill_too_long},
                {"switch_on_in_s", optional_number(view_.switch_on_in_s)},
                {"slip_left_s", optional_number(view_.slip_left_s)},
                {"unplugged", view_.waiting_for_replug},
                {"book_trouble", view_.book_trouble},
                {"zero_counts", optional_number(view_.zero_counts)},
                {"zero_drift_nm", optional_number(view_.zero_drift_nm)},
                {"coverage", coverage_json()},
                {"first_s", points_.empty() ? Json() : Json(points_.front().time_s)},
                {"anew", anew},
                {"points", points},
                {"bench", bench_},
                {"told", told_},
                {"calibration", calibration_},
                {"interval", interval_},
                {"rig_says", rig_says_},
                {"last", last_.empty() ? Json() : last_}};
  return state;
}

void LiveDesk::wait(std::chrono::milliseconds patience) const {
  Lock lock(mutex_);
  changed_.wait_for(lock, patience);
}

}  // namespace loadline
