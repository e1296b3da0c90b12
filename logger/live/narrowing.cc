#include "logger/live/narrowing.h"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "db/care/evening.h"

namespace loadline {
namespace {

constexpr double kFirstGlanceS = 6;  // of the run: before, there is hardly a curve
constexpr std::chrono::seconds kLeastRest{3};
constexpr int kRestOfGlance = 3;  // as many times as the last glance took

// See the header: a quarter of 1 − √(2/3).
constexpr double kPart = 2.0 / 3;
constexpr double kLeastFall = (1 - 0.816496580927726) / 4;
constexpr std::size_t kLeastGlances = 3;

Answers::Limits limits_of_glance() {
  Answers::Limits limits;
  limits.time = std::chrono::seconds(20);
  return limits;
}

struct Found {
  const char* figure;
  double value, low, high;
  std::string unit;
  Json rpm;
};

std::optional<Found> estimate_in(const Json& answer, const char* key) {
  const auto found = answer.find(key);
  if (found == answer.end() || !found->is_object()) return std::nullopt;
  for (const char* part : {"value", "low", "high"})
    if (!found->contains(part) || !(*found)[part].is_number()) return std::nullopt;
  return Found{key,
               (*found)["value"].get<double>(),
               (*found)["low"].get<double>(),
               (*found)["high"].get<double>(),
               found->value("unit", ""),
               nullptr};
}

/// What the run is for: a motor's peak power, without load its speed; a machine's drag at the
/// highest speed that was measured.
std::optional<Found> main_figure(const Json& answer, RunKind kind) {
  if (!answer.is_object() || !answer.value("described", false)) return std::nullopt;
  if (kind == RunKind::kNoLoad) return estimate_in(answer, "no_load_speed");
  if (kind == RunKind::kBrake || kind == RunKind::kSpinUp) return estimate_in(answer, "peak_power");
  const auto rows = answer.find("curve_rows");
  if (rows == answer.end() || !rows->is_array() || rows->empty()) return std::nullopt;
  const Json& row = rows->back();  // rpm, torque, low, high
  if (!row.is_array() || row.size() < 4) return std::nullopt;
  for (const Json& value : row)
    if (!value.is_number()) return std::nullopt;
  return Found{"drag", row[1].get<double>(), row[2].get<double>(), row[3].get<double>(), "N·m",
               row[0]};
}

}  // namespace

void Narrowing::add(double elapsed_s, double value, double half_width) {
  if (!(half_width > 0) || !std::isfinite(value) || value == 0) return;
  if (!points_.empty() && !(elapsed_s > points_.back().elapsed_s)) return;
  points_.push_back({elapsed_s, value, half_width});
}

/// Between two glances along a straight line; of the first before it.
double Narrowing::half_width_at(double elapsed_s) const {
  const auto after = std::find_if(points_.begin(), points_.end(),
                                  [&](const Point& point) { return point.elapsed_s >= elapsed_s; });
  if (after == points_.begin() || after == points_.end()) return points_.front().half_width;
  const Point& before = *std::prev(after);
  const double share = (elapsed_s - before.elapsed_s) / (after->elapsed_s - before.elapsed_s);
  return before.half_width + share * (after->half_width - before.half_width);
}

bool Narrowing::enough() const {
  if (points_.size() < kLeastGlances) return false;
  const double now_s = points_.back().elapsed_s;
  // The comparison needs glances before and after two thirds of the run, or it compares one with
  // itself.
  if (points_[points_.size() - kLeastGlances].elapsed_s < now_s / 3) return false;
  if (points_.front().elapsed_s > kPart * now_s) return false;
  return points_.back().half_width > (1 - kLeastFall) * half_width_at(kPart * now_s);
}

Json Narrowing::json() const {
  if (points_.empty()) return nullptr;
  Json points = Json::array();
  for (const Point& point : points_)
    points.push_back({json_number(point.elapsed_s),
                      json_number(100 * point.half_width / std::fabs(point.value))});
  return {{"value", json_number(points_.back().value)},
          {"half_width", json_number(points_.back().half_width)},
          {"points", points},
          {"enough", enough()}};
}

Glances::Glances(const Book& book, RunKind kind, const Mounting& mounting, std::string program)
    : kind_(kind), answers_(book.path(), std::move(program), limits_of_glance()) {
  const bool of_motor =
      kind == RunKind::kBrake || kind == RunKind::kNoLoad || kind == RunKind::kSpinUp;
  const bool of_machine = kind == RunKind::kCoastDown || kind == RunKind::kDriven;
  const auto& name = of_motor ? mounting.motor : mounting.machine;
  if (!name || !(of_motor || of_machine)) return;
  question_ = of_motor ? "motor" : "machine";
  subject_ = *name;
  const PartKind part = of_motor ? PartKind::kMotor : PartKind::kMachine;
  RunFilter filter;
  (of_motor ? filter.motor : filter.machine) = book.get(part, subject_).id;
  for (const Run& run : book.runs(filter))
    if (is_usable(run)) runs_.push_back(run.id);
}

bool Glances::take() {
  const Json found = answers_.document();
  const auto figure = main_figure(found.value("answer", Json()), kind_);
  if (!figure) return false;
  narrowing_.add(asked_at_s_, figure->value, (figure->high - figure->low) / 2);
  of_ = {{"figure", figure->figure}, {"unit", figure->unit}, {"rpm", figure->rpm}};
  return true;
}

bool Glances::look(const RecordingView& view) {
  if (subject_.empty() || view.run == 0 || view.committed == 0) return false;
  const auto now = Clock::now();
  if (waiting_) {
    if (answers_.status()["state"] == "working") return false;
    waiting_ = false;
    next_ = now + std::max<Clock::duration>(kLeastRest, kRestOfGlance * (now - began_));
    return take();
  }
  if (view.reading.elapsed_s < kFirstGlanceS || now < next_) return false;
  try {
    Json runs = runs_;
    runs.push_back(view.run);
    answers_.ask({{"question", question_}, {"subject", subject_}, {"glance", std::move(runs)}});
    asked_at_s_ = view.reading.elapsed_s;
    began_ = now;
    waiting_ = true;
  } catch (const Error&) {  // no thread to be had: the recording goes on without
    next_ = now + kRestOfGlance * kLeastRest;
  }
  return false;
}

Json Glances::json() const {
  Json json = narrowing_.json();
  if (json.is_object()) json.update(of_);
  return json;
}

}  // namespace loadline
