// The picture of a plot for paper and for --svg. Colours come from the classes c1 … c6, so that the
// page's light and dark palettes apply to it.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/text_table.h"
#include "db/basis/web.h"
#include "fit/report/plots/plot.h"

namespace loadline {
namespace {

constexpr double kWidth = 720;
// Three to a printed page with their words; a file of its own has more room.
constexpr double kHeightInPage = 250, kHeightAlone = 420;
constexpr double kLetter = 7.2;          // about the width of one
constexpr std::size_t kFewPoints = 400;  // these are drawn larger, each to be seen
constexpr double kTop = 14, kRight = 30, kBottomAxis = 46, kLegendRow = 20;

constexpr const char* kStyleAlone = R"(<style>
svg{font:13px system-ui,sans-serif;background:#fff}
.c1{--c:#0a6a74}.c2{--c:#c2571a}.c3{--c:#4a4aa5}.c4{--c:#8a6a00}.c5{--c:#8e2d62}.c6{--c:#55606a}
text{fill:#1d2326}.grid{stroke:#d8dcdc;stroke-width:1}.frame{fill:none;stroke:#7b8587}
.line{fill:none;stroke:var(--c);stroke-width:2}.band{fill:var(--c);opacity:.18}
.points{fill:none;stroke:var(--c);stroke-width:2.2;stroke-linecap:round;opacity:.45}
.few{stroke-width:4;opacity:.85}
.mark{fill:var(--c);stroke:#fff}.whisker{stroke:var(--c);stroke-width:1.6;fill:none}
.far{stroke-dasharray:1.5 5;stroke-linecap:round;opacity:.75}
.dashed{stroke-dasharray:9 5}.dotted{stroke-dasharray:2 4}.dashdot{stroke-dasharray:10 4 2 4}
.long{stroke-dasharray:20 5}
</style>)";

std::string tick_text(double value, double step) {
  const int decimals = step >= 1 ? 0 : std::min(6, static_cast<int>(std::ceil(-std::log10(step))));
  std::string text = fmt::format("{:.{}f}", value == 0 ? 0.0 : value, decimals);
  const std::size_t point = std::min(text.find('.'), text.size());
  for (std::size_t at = point; at > (text[0] == '-' ? 4u : 3u); at -= 3) text.insert(at - 3, ",");
  return text;
}

std::string dash_suffix(Series::Dash dash) {
  return dash == Series::Dash::kSolid ? "" : fmt::format(" {}", dash_class(dash));
}

double step_of(const std::vector<double>& ticks) {
  return ticks.size() > 1 ? ticks[1] - ticks[0] : 1;
}

constexpr std::size_t kLongestName = 36;

// For names at the axis, in their width of about seven units a letter.
double room_for(const std::vector<std::string>& names) {
  std::size_t longest = 0;
  for (const std::string& name : names) longest = std::max(longest, width_of(name));
  return std::max(190.0, 7.2 * static_cast<double>(std::min(longest, kLongestName)) + 12);
}

// Draws one plot into `out_`; positions are in the viewBox's units.
class Drawing {
 public:
  Drawing(const Plot& plot, bool alone, const Language& language)
      : plot_(plot),
        language_(language),
        x_(shown_range(plot.x, plot, false)),
        y_(shown_range(plot.y, plot, true)),
        left_(plot.y.categories.empty() ? 66 : room_for(plot.y.categories)),
        height_(alone ? kHeightAlone : kHeightInPage),
        bottom_(height_ - kBottomAxis) {
    const double rows = legend_rows();
    out_ = fmt::format(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {} {}\" role=\"img\" "
        "class=\"picture\"><title>{}</title><desc>{}</desc>{}",
        kWidth, height_ + rows * kLegendRow, html_escape(plot.title), html_escape(plot.words),
        alone ? kStyleAlone : "");
    axes();
    out_ += fmt::format(
        "<svg x=\"{}\" y=\"{}\" width=\"{:.1f}\" height=\"{:.1f}\" viewBox=\"{} {} {:.1f} "
        "{:.1f}\">",
        left_, kTop, width(), height(), left_, kTop, width(), height());
    for (const Series& series : plot.series) band(series);
    for (const Series& series : plot.series) data(series);
    out_ += "</svg>";
    legend();
    out_ += "</svg>\n";
  }
  std::string take() { return std::move(out_); }

 private:
  double width() const { return kWidth - kRight - left_; }
  double height() const { return bottom_ - kTop; }
  double at_x(double value) const {
    return left_ + (value - x_.low) / (x_.high - x_.low) * width();
  }
  double at_y(double value) const {
    const double part = (value - y_.low) / (y_.high - y_.low);
    // Names read from the top down, numbers grow upwards.
    return plot_.y.categories.empty() ? bottom_ - part * height() : kTop + part * height();
  }
  static std::string title(const Axis& axis) {
    return html_escape(axis.unit.empty() ? axis.quantity
                                         : fmt::format("{} ({})", axis.quantity, axis.unit));
  }

  void axes() {
    const std::vector<double> ticks = shown_ticks(x_);
    std::size_t longest = 1;
    for (const double tick : ticks)
      longest = std::max(longest, tick_text(tick, step_of(ticks)).size());
    // Where their numbers would touch, every second or third line has one.
    const double needed = kLetter * static_cast<double>(longest) + 10;
    const auto stride = static_cast<std::size_t>(
        std::ceil(std::max(1.0, needed * static_cast<double>(ticks.size()) / width())));
    for (std::size_t i = 0; i < ticks.size(); ++i) {
      out_ += fmt::format("<path class=\"grid\" d=\"M{0:.1f} {1}V{2}\"/>", at_x(ticks[i]), kTop,
                          bottom_);
      if (i % stride == 0)
        out_ += fmt::format("<text x=\"{:.1f}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
                            at_x(ticks[i]), bottom_ + 18,
                            language_.number(tick_text(ticks[i], step_of(ticks))));
    }
    plot_.y.categories.empty() ? y_numbers() : y_names();
    out_ += fmt::format(
        "<rect class=\"frame\" x=\"{}\" y=\"{}\" width=\"{:.1f}\" height=\"{:.1f}\"/>"
        "<text x=\"{:.1f}\" y=\"{}\" text-anchor=\"middle\">{}</text>",
        left_, kTop, width(), height(), left_ + width() / 2, bottom_ + 38, title(plot_.x));
    if (!plot_.y.categories.empty()) return;
    const std::string words = title(plot_.y);
    // Smaller where it would be cut.
    const double room = height() / (kLetter * static_cast<double>(width_of(words)));
    out_ += fmt::format(
        "<text transform=\"translate(15 {:.1f}) rotate(-90)\" text-anchor=\"middle\"{}>{}</text>",
        kTop + height() / 2, room < 1 ? fmt::format(" font-size=\"{:.1f}\"", 13 * room) : "",
        words);
  }

  void y_numbers() {
    const std::vector<double> ticks = shown_ticks(y_);
    for (const double tick : ticks) {
      out_ += fmt::format(
          "<path class=\"grid\" d=\"M{0} {1:.1f}H{2}\"/>"
          "<text x=\"{3}\" y=\"{4:.1f}\" text-anchor=\"end\">{5}</text>",
          left_, at_y(tick), kWidth - kRight, left_ - 7, at_y(tick) + 4.5,
          language_.number(tick_text(tick, step_of(ticks))));
    }
  }

  void y_names() {
    for (std::size_t i = 0; i < plot_.y.categories.size(); ++i) {
      std::string name = plot_.y.categories[i];
      if (name.size() > kLongestName) {  // cut between UTF-8 characters
        std::size_t end = kLongestName - 2;
        while (end > 0 && (static_cast<unsigned char>(name[end]) & 0xC0U) == 0x80U) --end;
        name = name.substr(0, end) + "…";
      }
      out_ += fmt::format("<text x=\"{}\" y=\"{:.1f}\" text-anchor=\"end\">{}</text>", left_ - 9,
                          at_y(static_cast<double>(i)) + 4.5, html_escape(name));
    }
  }

  void band(const Series& series) {
    if (series.look != Series::Look::kLine || series.low.size() != series.x.size() ||
        series.high.size() != series.x.size())
      return;
    std::string forth, back;
    for (std::size_t i = 0; i < series.x.size(); ++i) {
      if (!std::isfinite(series.low[i]) || !std::isfinite(series.high[i])) continue;
      forth += fmt::format("{}{:.1f} {:.1f}", forth.empty() ? "M" : "L", at_x(series.x[i]),
                           at_y(clipped(series.high[i])));
      back.insert(0,
                  fmt::format("L{:.1f} {:.1f}", at_x(series.x[i]), at_y(clipped(series.low[i]))));
    }
    if (!forth.empty())
      out_ += fmt::format("<path class=\"band c{}\" d=\"{}{}Z\"/>", series.colour, forth, back);
  }

  // Keeps wild limits near the frame, where the clipping of viewers is sound.
  double clipped(double value) const {
    const double span = y_.high - y_.low;
    return std::clamp(value, y_.low - span, y_.high + span);
  }

  void data(const Series& series) {
    switch (series.look) {
      case Series::Look::kPoints:
        return cloud(series, series.x.size() < kFewPoints ? "points few" : "points", "h0");
      case Series::Look::kCrosses:
        return cloud(series, "whisker", "m-3 -3l6 6m0 -6l-6 6");
      case Series::Look::kMark:
        return marks(series);
      case Series::Look::kLine:
        line(series, true);
        line(series, false);
    }
  }

  // One path for all readings: to each, then the stroke that shows it.
  void cloud(const Series& series, const char* look, const char* stroke) {
    std::string path;
    for (std::size_t i = 0; i < series.x.size(); ++i)
      if (std::isfinite(series.x[i]) && std::isfinite(series.y[i]))
        path += fmt::format("M{:.1f} {:.1f}{}", at_x(series.x[i]), at_y(series.y[i]), stroke);
    if (!path.empty())
      out_ += fmt::format("<path class=\"{} c{}\" d=\"{}\"/>", look, series.colour, path);
  }

  // The measured stretch, or the stretches outside it.
  void line(const Series& series, bool within) {
    std::string path;
    bool drawing = false;
    for (std::size_t i = 0; i < series.x.size(); ++i) {
      const bool fits = std::isfinite(series.y[i]) && series.measured_at(i) == within;
      const bool joins = !within && std::isfinite(series.y[i]) &&
                         ((i > 0 && !series.measured_at(i - 1)) ||
                          (i + 1 < series.x.size() && !series.measured_at(i + 1)));
      if (fits || joins)
        path += fmt::format("{}{:.1f} {:.1f}", drawing ? "L" : "M", at_x(series.x[i]),
                            at_y(clipped(series.y[i])));
      drawing = fits || joins;
    }
    if (!path.empty())
      out_ += fmt::format("<path class=\"line c{}{}\" d=\"{}\"/>", series.colour,
                          within ? dash_suffix(series.dash) : " far", path);
  }

  void marks(const Series& series) {
    for (std::size_t i = 0; i < series.x.size(); ++i) {
      if (!std::isfinite(series.x[i]) || !std::isfinite(series.y[i])) continue;
      const double x = at_x(series.x[i]), y = at_y(series.y[i]);
      if (i < series.low.size() && i < series.high.size())
        out_ += fmt::format("<path class=\"whisker c{}\" d=\"M{:.1f} {:.1f}V{:.1f}\"/>",
                            series.colour, x, at_y(series.low[i]), at_y(series.high[i]));
      if (i < series.x_low.size() && i < series.x_high.size())
        out_ += fmt::format("<path class=\"whisker c{}\" d=\"M{:.1f} {:.1f}H{:.1f}\"/>",
                            series.colour, at_x(series.x_low[i]), y, at_x(series.x_high[i]));
      out_ += fmt::format("<circle class=\"mark c{}\" cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"5\"/>",
                          series.colour, x, y);
    }
  }

  // Names laid out left to right, in rows.
  struct Place {
    double x, row;
  };
  std::vector<Place> legend_places() const {
    std::vector<Place> places;
    double x = 20, row = 0;
    for (const Series& series : plot_.series) {
      const double wide = 52 + 1.08 * kLetter * static_cast<double>(width_of(series.name));
      if (x > 20 && x + wide > kWidth) x = 20, ++row;
      places.push_back({x, row});
      if (!series.name.empty()) x += wide;
    }
    return places;
  }
  double legend_rows() const {
    const auto places = legend_places();
    return places.empty() ? 0 : places.back().row + 1;
  }

  void legend() {
    const auto places = legend_places();
    for (std::size_t i = 0; i < places.size(); ++i) {
      const Series& series = plot_.series[i];
      if (series.name.empty()) continue;
      const double x = places[i].x, y = height_ + 6 + places[i].row * kLegendRow;
      if (series.look == Series::Look::kLine)
        out_ += fmt::format("<path class=\"line c{}{}\" d=\"M{:.1f} {:.1f}h28\"/>", series.colour,
                            dash_suffix(series.dash), x, y);
      else if (series.look == Series::Look::kCrosses)
        out_ += fmt::format("<path class=\"whisker c{}\" d=\"M{:.1f} {:.1f}l6 6m0 -6l-6 6\"/>",
                            series.colour, x + 11, y - 3);
      else
        out_ += fmt::format("<circle class=\"mark c{}\" cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"{}\"/>",
                            series.colour, x + 14, y, series.look == Series::Look::kMark ? 5 : 2.5);
      out_ += fmt::format("<text x=\"{:.1f}\" y=\"{:.1f}\">{}</text>", x + 36, y + 4.5,
                          html_escape(series.name));
    }
  }

  const Plot& plot_;
  const Language& language_;
  Range x_, y_;
  double left_, height_, bottom_;
  std::string out_;
};

}  // namespace

std::string to_svg(const Plot& plot, bool alone, const Language& language) {
  return Drawing(plot, alone, language).take();
}

}  // namespace loadline
