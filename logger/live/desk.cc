#include "logger/live/desk.h"

#include <fmt/format.h>

#include "logger/cautions.h"

namespace loadline {
namespace {

constexpr double kPointEveryS = 0.1;
constexpr std::size_t kMostPoints = 20'000;  // more than half an hour

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

std::optional<double> wished_number(const Json& wish, const char* key) {
  const auto found = wish.find(key);
  if (found == wish.end() || !found->is_number()) return std::nullopt;
  return found->get<double>();
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
  order.mounting.supply_v = wished_number(wish, "supply_v");
  order.for_s = wished_number(wish, "for_s");
  if (const auto run = wished_number(wish, "slip_check"))
    order.mounting.slip_check = static_cast<std::int64_t>(*run);
  return order;
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

}  // namespace

void LiveDesk::news() { changed_.notify_all(); }

void LiveDesk::rest(const std::string& phase, const std::string& message) {
  const std::lock_guard lock(mutex_);
  phase_ = phase;
  message_ = message;
  order_.reset();
  news();
}

void LiveDesk::begin(const RecordOrder& order) {
  const std::lock_guard lock(mutex_);
  phase_ = "recording";
  message_.clear();
  order_ = order;
  stop_ = false;
  view_ = {};
  points_.clear();
  ++epoch_;
  coverage_.clear();
  last_ = Json();
  news();
}

void LiveDesk::show(const RecordingView& view) {
  const std::lock_guard lock(mutex_);
  view_ = view;
  const LiveReading& now = view.reading;
  if (!points_.empty() && now.elapsed_s < points_.back().time_s) points_.clear(), ++epoch_;
  const bool due = points_.empty() || now.elapsed_s >= points_.back().time_s + kPointEveryS;
  if (due && points_.size() < kMostPoints && (now.motor_rpm || now.handwheel_rpm)) {
    points_.push_back({now.elapsed_s, now.motor_rpm, now.handwheel_rpm, now.torque_nm});
    if (now.motor_rpm) coverage_.take(*now.motor_rpm);
  }
  news();
}

void LiveDesk::end(const RecordReport& report) {
  const std::lock_guard lock(mutex_);
  last_ = to_json(report);
  last_["summary"] = summary(report);
  last_["sentence"] = report.slip ? report.slip->sentence : "";
  phase_ = "ended";
  message_ = report.result.why;
  order_.reset();
  news();
}

void LiveDesk::fail(const std::string& sentence) {
  const std::lock_guard lock(mutex_);
  phase_ = "failed";
  message_ = sentence;
  order_.reset();
  news();
}

void LiveDesk::set_bench(Json bench) {
  const std::lock_guard lock(mutex_);
  bench_ = std::move(bench);
}

std::optional<RecordOrder> LiveDesk::take_order() {
  const std::lock_guard lock(mutex_);
  std::optional<RecordOrder> order;
  std::swap(order, waiting_);
  return order;
}

bool LiveDesk::stop_asked() {
  const std::lock_guard lock(mutex_);
  return stop_;
}

void LiveDesk::place_order(const Json& wish) {
  RecordOrder order = order_from(wish);
  const std::lock_guard lock(mutex_);
  if (!may_start_)
    throw Error(Fault::kInput,
                "this page watches one recording; start 'loadline-logger watch' to "
                "begin runs from here.");
  if (order_ || waiting_) throw Error(Fault::kInput, "a run is under way; stop it first.");
  waiting_ = std::move(order);
  news();
}

void LiveDesk::ask_stop() {
  const std::lock_guard lock(mutex_);
  stop_ = true;
  waiting_.reset();
}

Json LiveDesk::state(std::size_t& from) const {
  const std::lock_guard lock(mutex_);
  // `from` carries the epoch above the index, so that a new run sends its points from the start.
  constexpr std::size_t kEpoch = std::size_t{1} << 32;
  std::size_t index = from / kEpoch == epoch_ ? from % kEpoch : 0;
  const bool anew = index == 0;
  Json points = Json::array();
  for (; index < points_.size(); ++index) {
    const Point& p = points_[index];
    points.push_back({json_number(p.time_s), optional_number(p.motor_rpm),
                      optional_number(p.handwheel_rpm), optional_number(p.torque_nm)});
  }
  from = epoch_ * kEpoch + points_.size();
  Json state = {{"phase", phase_},
                {"message", message_},
                {"may_start", may_start_},
                {"run", view_.run},
                {"kind", order_ ? Json(run_kind_name(order_->kind)) : Json()},
                {"mounted", order_ ? mounted_json(order_->mounting) : Json::object()},
                {"reading", reading_json(view_.reading)},
                {"samples", view_.counts.samples},
                {"committed", view_.committed},
                {"lost", view_.counts.lost},
                {"damaged", view_.counts.damaged + view_.counts.implausible},
                {"standstill_s", view_.standstill_s},
                {"standstill_limit_s", order_ ? json_number(order_->standstill_limit_s) : Json()},
                {"standstill_too_long", view_.standstill_too_long},
                {"switch_on_in_s", optional_number(view_.switch_on_in_s)},
                {"slip_left_s", optional_number(view_.slip_left_s)},
                {"unplugged", view_.waiting_for_replug},
                {"book_trouble", view_.book_trouble},
                {"zero_counts", optional_number(view_.zero_counts)},
                {"zero_drift_nm", optional_number(view_.zero_drift_nm)},
                {"coverage",
                 {{"highest_rpm", coverage_.highest_rpm()},
                  {"counts", coverage_.counts()},
                  {"enough", SpeedCoverage::kEnough},
                  {"hint", coverage_.hint()}}},
                {"anew", anew},
                {"points", points},
                {"bench", bench_},
                {"last", last_}};
  return state;
}

void LiveDesk::wait(std::chrono::milliseconds patience) const {
  std::unique_lock lock(mutex_);
  changed_.wait_for(lock, patience);
}

}  // namespace loadline
