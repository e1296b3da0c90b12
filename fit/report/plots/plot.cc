#include "fit/report/plots/plot.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>

namespace loadline {
namespace {

void widen(Range& range, bool& any, const std::vector<double>& values) {
  for (const double value : values) {
    if (!std::isfinite(value)) continue;
    if (!any) range = {value, value};
    any = true;
    range.low = std::min(range.low, value);
    range.high = std::max(range.high, value);
  }
}

Range data_range(const Plot& plot, bool vertical) {
  Range range;
  bool any = false;
  for (const Series& series : plot.series) {
    widen(range, any, vertical ? series.y : series.x);
    widen(range, any, vertical ? series.low : series.x_low);
    widen(range, any, vertical ? series.high : series.x_high);
  }
  return any ? range : Range{0, 1};
}

Json numbers(const std::vector<double>& values) {
  Json list = Json::array();
  // Six significant digits are finer than any screen and keep the file small.
  for (const double value : values)
    list.push_back(std::isfinite(value) ? Json::parse(fmt::format("{:.6g}", value)) : Json());
  return list;
}

Json axis_json(const Axis& axis, Range range) {
  return Json{{"title", axis.unit.empty() ? axis.quantity
                                          : fmt::format("{} ({})", axis.quantity, axis.unit)},
              {"quantity", axis.quantity},
              {"unit", axis.unit},
              {"min", range.low},
              {"max", range.high},
              {"ticks", numbers(shown_ticks(range))},
              {"categories", axis.categories}};
}

const char* look_name(Series::Look look) {
  switch (look) {
    case Series::Look::kLine:
      return "line";
    case Series::Look::kPoints:
      return "points";
    case Series::Look::kCrosses:
      return "crosses";
    case Series::Look::kMark:
      return "mark";
  }
  return "line";
}

std::vector<double> every(const std::vector<double>& values, std::size_t step) {
  std::vector<double> kept;
  for (std::size_t i = 0; i < values.size(); i += step) kept.push_back(values[i]);
  if (!values.empty() && (values.size() - 1) % step != 0) kept.push_back(values.back());
  return kept;
}

}  // namespace

const char* dash_class(Series::Dash dash) {
  switch (dash) {
    case Series::Dash::kSolid:
      return "solid";
    case Series::Dash::kDashed:
      return "dashed";
    case Series::Dash::kDotted:
      return "dotted";
    case Series::Dash::kDashDot:
      return "dashdot";
    case Series::Dash::kLong:
      return "long";
  }
  return "solid";
}

bool Series::measured_at(std::size_t i) const {
  if (i < extrapolated.size() && extrapolated[i]) return false;
  return (!measured_from || x[i] >= *measured_from) && (!measured_to || x[i] <= *measured_to);
}

std::vector<double> nice_ticks(double low, double high, int count) {
  if (!std::isfinite(low) || !std::isfinite(high) || !(high > low) || count < 1) return {};
  const double raw = (high - low) / count;
  const double power = std::pow(10.0, std::floor(std::log10(raw)));
  const double rest = raw / power;
  const double step = power * (rest < 1.5 ? 1 : rest < 3.5 ? 2 : rest < 7.5 ? 5 : 10);
  const auto first = static_cast<long long>(std::floor(low / step + 1e-9));
  const auto last = static_cast<long long>(std::ceil(high / step - 1e-9));
  std::vector<double> ticks;
  for (long long i = first; i <= last; ++i) ticks.push_back(static_cast<double>(i) * step);
  return ticks;
}

std::vector<double> shown_ticks(Range range) {
  std::vector<double> ticks = nice_ticks(range.low, range.high, kTicks);
  const double slack = 1e-9 * (range.high - range.low);
  std::erase_if(ticks, [&](double t) { return t < range.low - slack || t > range.high + slack; });
  return ticks;
}

Range shown_range(const Axis& axis, const Plot& plot, bool vertical) {
  if (!axis.categories.empty()) return {-0.5, static_cast<double>(axis.categories.size()) - 0.5};
  Range range = data_range(plot, vertical);
  if (axis.from_zero && range.low > 0) range.low = 0;
  if (axis.low) range.low = *axis.low;
  if (axis.high) range.high = *axis.high;
  if (!(range.high > range.low)) {
    const double half = range.low == 0 ? 1 : std::fabs(range.low) * 0.1;
    range = {range.low - half, range.low + half};
  }
  // Speeds end where the data end; values across get room to whole ticks.
  const std::vector<double> ticks = nice_ticks(range.low, range.high, kTicks);
  if (ticks.empty() || (!vertical && plot.y.categories.empty())) return range;
  return {axis.low ? range.low : ticks.front(), axis.high ? range.high : ticks.back()};
}

Plot translated(Plot plot, const Language& language) {
  const auto say = [&](std::string& text) { text = language.words(text); };
  say(plot.title);
  say(plot.words);
  for (Axis* axis : {&plot.x, &plot.y}) {
    say(axis->quantity);
    say(axis->unit);
  }
  for (Series& series : plot.series)
    if (!series.named) say(series.name);
  return plot;
}

Json to_chart(const Plot& plot) {
  Json sets = Json::array();
  for (const Series& series : plot.series) {
    Json set{{"name", series.name},     {"look", look_name(series.look)},
             {"colour", series.colour}, {"dash", dash_class(series.dash)},
             {"x", numbers(series.x)},  {"y", numbers(series.y)}};
    if (!series.low.empty()) set["low"] = numbers(series.low);
    if (!series.high.empty()) set["high"] = numbers(series.high);
    if (!series.x_low.empty()) set["x_low"] = numbers(series.x_low);
    if (!series.x_high.empty()) set["x_high"] = numbers(series.x_high);
    if (series.measured_from) set["from"] = *series.measured_from;
    if (series.measured_to) set["to"] = *series.measured_to;
    if (!series.extrapolated.empty()) set["far"] = series.extrapolated;
    sets.push_back(std::move(set));
  }
  return Json{{"title", plot.title},
              {"x", axis_json(plot.x, shown_range(plot.x, plot, false))},
              {"y", axis_json(plot.y, shown_range(plot.y, plot, true))},
              {"sets", std::move(sets)}};
}

Series thinned(const Series& series, std::size_t most) {
  if (series.x.size() <= most || most < 2) return series;
  const std::size_t step = (series.x.size() + most - 2) / (most - 1);
  Series result = series;
  for (auto member :
       {&Series::x, &Series::y, &Series::low, &Series::high, &Series::x_low, &Series::x_high})
    result.*member = every(series.*member, step);
  return result;
}

}  // namespace loadline
