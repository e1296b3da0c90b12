#include "fit/report/plots/terminal_picture.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <utility>
#include <vector>

#include "db/basis/estimate.h"
#include "db/basis/text_table.h"

namespace loadline {
namespace {

constexpr int kRows = 14;
constexpr int kGap = 3;  // of the columns of an extrapolated line one in so many is drawn
constexpr const char* kMark = "●";

// Quarters of a cell: 1 upper left, 2 upper right, 4 lower left, 8 lower right.
constexpr std::array<const char*, 16> kQuarters = {" ", "▘", "▝", "▀", "▖", "▌", "▞", "▛",
                                                   "▗", "▚", "▐", "▜", "▄", "▙", "▟", "█"};
// Further lines, by how they look; the last is the load line's.
constexpr std::array<const char*, 4> kStrokes = {"", "▒", "░", "·"};

class Canvas {
 public:
  Canvas(const Plot& plot, std::size_t width)
      : plot_(plot), x_(shown_range(plot.x, plot, false)), y_(shown_range(plot.y, plot, true)) {
    labels_ = {significant(y_.high, 3), significant((y_.low + y_.high) / 2, 3),
               significant(y_.low, 3)};
    for (const std::string& label : labels_) left_ = std::max(left_, width_of(label));
    columns_ = static_cast<int>(width - left_) - 2;
    cells_.assign(static_cast<std::size_t>(columns_ * kRows), " ");
  }

  std::string drawn() {
    // What is drawn later lies on top: the first line and the marks.
    for (std::size_t i = plot_.series.size(); i-- > 0;)
      if (plot_.series[i].look == Series::Look::kLine) line(plot_.series[i], stroke(i));
    for (const Series& series : plot_.series)
      if (series.look == Series::Look::kMark) marks(series);
    return text();
  }

 private:
  // The first line in quarters, dashed ones in dots, the others in shades.
  std::size_t stroke(std::size_t number) const {
    if (number == 0) return 0;
    if (plot_.series[number].dash == Series::Dash::kDashed) return kStrokes.size() - 1;
    return std::min(number, kStrokes.size() - 2);
  }

  std::string& cell(int column, int row) {
    return cells_[static_cast<std::size_t>(row * columns_ + column)];
  }

  double value_at(const Series& series, double x) const {
    const auto right = std::lower_bound(series.x.begin(), series.x.end(), x);
    if (right == series.x.end() || (right == series.x.begin() && *right > x)) return std::nan("");
    const auto i = static_cast<std::size_t>(right - series.x.begin());
    if (i == 0) return series.y[0];
    const double part = (x - series.x[i - 1]) / (series.x[i] - series.x[i - 1]);
    return series.y[i - 1] + part * (series.y[i] - series.y[i - 1]);
  }

  bool measured_at(const Series& series, double x) const {
    return (!series.measured_from || x >= *series.measured_from) &&
           (!series.measured_to || x <= *series.measured_to);
  }

  // In half rows from the top; outside the frame none.
  int half_row(double y) const {
    const double from_top = (y_.high - y) / (y_.high - y_.low) * 2 * kRows;
    if (!(from_top >= 0 && from_top < 2 * kRows)) return -1;
    return static_cast<int>(from_top);
  }

  void line(const Series& series, std::size_t stroke) {
    std::vector<unsigned> quarters(cells_.size());
    for (int half = 0; half < 2 * columns_; ++half) {
      const double x = x_.low + (half + 0.5) / (2 * columns_) * (x_.high - x_.low);
      if (!measured_at(series, x) && (half / 2) % kGap != 0) continue;
      const double y = value_at(series, x);
      const int row = std::isfinite(y) ? half_row(y) : -1;
      if (row < 0) continue;
      const std::size_t at = static_cast<std::size_t>(row / 2 * columns_ + half / 2);
      quarters[at] |= 1U << (2 * (row % 2) + half % 2);
    }
    for (std::size_t i = 0; i < quarters.size(); ++i)
      if (quarters[i]) cells_[i] = stroke == 0 ? kQuarters[quarters[i]] : kStrokes[stroke];
  }

  void marks(const Series& series) {
    for (std::size_t i = 0; i < series.x.size(); ++i) {
      const int row = half_row(series.y[i]);
      const double part = (series.x[i] - x_.low) / (x_.high - x_.low);
      const int column = static_cast<int>(part * columns_);
      if (row >= 0 && column >= 0 && column < columns_) cell(column, row / 2) = kMark;
    }
  }

  std::string row_text(int row) {
    const std::string label = row == 0           ? labels_[0]
                              : row == kRows / 2 ? labels_[1]
                              : row == kRows - 1 ? labels_[2]
                                                 : "";
    std::string out = std::string(left_ - width_of(label), ' ') + label + " │";
    for (int column = 0; column < columns_; ++column) out += cell(column, row);
    out.erase(out.find_last_not_of(' ') + 1);
    return out + "\n";
  }

  std::string text() {
    std::string out = plot_.y.unit + "\n";
    for (int row = 0; row < kRows; ++row) out += row_text(row);
    out += std::string(left_, ' ') + " └";
    for (int column = 0; column < columns_; ++column) out += "─";
    const std::string from = whole_text(x_.low), to = whole_text(x_.high) + " " + plot_.x.unit;
    const std::size_t room = static_cast<std::size_t>(columns_);
    out += "\n" + std::string(left_ + 2, ' ') + from +
           std::string(room - std::min(room, width_of(from) + width_of(to)), ' ') + to;
    return out + key();
  }

  std::string key() const {
    std::string words;
    bool marked = false;
    for (std::size_t i = 0; i < plot_.series.size(); ++i) {
      const Series& series = plot_.series[i];
      const bool mark = series.look == Series::Look::kMark;
      if (series.name.empty() || (mark && std::exchange(marked, true))) continue;
      const std::string sign = mark ? kMark : stroke(i) == 0 ? "█" : kStrokes[stroke(i)];
      words += fmt::format("\n  {} {}", sign, series.name);
    }
    return words;
  }

  const Plot& plot_;
  Range x_, y_;
  std::array<std::string, 3> labels_;
  std::size_t left_ = 0;
  int columns_ = 0;
  std::vector<std::string> cells_;
};

}  // namespace

std::string terminal_picture(const Plot& plot, std::size_t width) {
  const bool any = std::any_of(plot.series.begin(), plot.series.end(), [](const Series& series) {
    return series.look == Series::Look::kLine && !series.x.empty();
  });
  if (width < kNarrowestPicture || !any) return "";
  return Canvas(plot, std::min(width, kWidestPicture)).drawn();
}

}  // namespace loadline
