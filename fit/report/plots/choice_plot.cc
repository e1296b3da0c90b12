#include "fit/report/plots/choice_plot.h"

#include <fmt/format.h>

#include <algorithm>

#include "fit/choose/choice_output.h"
#include "fit/choose/drawer/choice_constants.h"

namespace loadline {
namespace {

Series limit_line(const std::string& name, double rpm, std::size_t rows, int colour,
                  Series::Dash dash) {
  Series line;
  line.name = name;
  line.colour = colour;
  line.dash = dash;
  line.x = {rpm, rpm};
  line.y = {-0.5, static_cast<double>(rows) - 0.5};
  return line;
}

Series marks(const std::string& name, int colour) {
  Series series;
  series.name = name;
  series.look = Series::Look::kMark;
  series.colour = colour;
  return series;
}

}  // namespace

Plot choice_plot(const Drawer& drawer, const Aims& aims, const DrawerChoice& choice,
                 const std::string& id) {
  Plot plot;
  plot.id = id;
  plot.title = "Top speed of what fits " + drawer.machine.name + ", best first";
  plot.words = verdict_of(drawer, aims, choice).front();
  plot.x.quantity =
      aims.extra_nm ? "Top speed of the hand wheel under the cloth" : "Top speed of the hand wheel";
  plot.x.unit = "rpm";
  plot.y.quantity = "Motor, pulley, belt";
  double fastest = 0;
  const bool asked =
      aims.least_rpm || aims.most_motor_rpm || aims.least_needle_n || aims.most_drop_percent;
  Series sure = marks(asked ? "meets what is asked (95 %)" : "keeps the limits (95 %)", 1);
  Series open = marks(asked ? "may miss it (chance in %)" : "may not (chance in %)", 2);
  for (std::size_t k = 0; k < shown_choices(choice); ++k) {
    const Prediction& p = choice.choices[k].prediction;
    const Estimate& speed = aims.extra_nm ? p.loaded_rpm : p.handwheel_rpm;
    const double row = static_cast<double>(plot.y.categories.size());
    plot.y.categories.push_back(brief_name(drawer, choice.choices[k].candidate));
    if (!speed.value) continue;
    const double chance = choice.choices[k].chance;
    if (chance < kSure) plot.y.categories.back() += fmt::format(", {:.0f} %", 100 * chance);
    Series& series = chance >= kSure ? sure : open;
    series.x.push_back(*speed.value);
    series.y.push_back(row);
    series.x_low.push_back(speed.low.value_or(*speed.value));
    series.x_high.push_back(speed.high.value_or(*speed.value));
    fastest = std::max(fastest, series.x_high.back());
  }
  const std::size_t rows = plot.y.categories.size();
  if (!sure.x.empty()) plot.series.push_back(std::move(sure));
  if (!open.x.empty()) plot.series.push_back(std::move(open));
  if (aims.least_rpm)
    plot.series.push_back(
        limit_line("asked for at least", *aims.least_rpm, rows, 3, Series::Dash::kDashed));
  constexpr double kNear = 0.8;  // a limit far beyond all of them would only squeeze the picture
  if (const auto most = drawer.machine.number("max-rpm"); most && fastest > kNear * *most)
    plot.series.push_back(limit_line("the machine's limit", *most, rows, 6, Series::Dash::kDotted));
  return plot;
}

}  // namespace loadline
