// Pictures for a terminal. What must be seen follows from the lines drawn by hand: a straight line
// from corner to corner goes through the middle, a constant one lies in one row.
#include <doctest/doctest.h>

#include <algorithm>
#include <string>
#include <vector>

#include "db/basis/terminal.h"
#include "db/basis/text_table.h"
#include "fit/report/plots/terminal_picture.h"

using namespace loadline;

namespace {

std::vector<std::string> lines_of(const std::string& text) {
  std::vector<std::string> lines(1);
  for (const char c : text) {
    if (c == '\n')
      lines.emplace_back();
    else
      lines.back() += c;
  }
  return lines;
}

Series line(const std::string& name, double y0, double y1, Series::Dash dash) {
  Series series;
  series.name = name;
  series.dash = dash;
  series.x = {0, 10};
  series.y = {y0, y1};
  return series;
}

// A falling and a rising line that meet in the middle of the frame.
Plot crossing() {
  Plot plot;
  plot.x = {"Motor speed", "rpm", 0.0, 10.0, false, {}};
  plot.y = {"Torque", "N·m", 0.0, 10.0, false, {}};
  plot.series = {line("falls", 10, 0, Series::Dash::kSolid),
                 line("rises", 0, 10, Series::Dash::kDashed)};
  Series mark;
  mark.name = "meets";
  mark.look = Series::Look::kMark;
  mark.x = {5};
  mark.y = {5};
  plot.series.push_back(mark);
  return plot;
}

// The column, in code points, at which `what` begins.
std::size_t column_of(const std::string& text, const std::string& what) {
  const std::size_t at = text.find(what);
  return at == std::string::npos ? at : width_of(text.substr(0, at));
}

}  // namespace

TEST_CASE("no line is wider than asked for, and what is too narrow is no picture") {
  for (const std::size_t width : {40, 57, 80, 200}) {
    const std::string picture = terminal_picture(crossing(), width);
    REQUIRE_FALSE(picture.empty());
    for (const std::string& one : lines_of(picture))
      CHECK(width_of(one) <= std::min<std::size_t>(width, 80));
  }
  CHECK(terminal_picture(crossing(), 39).empty());
  CHECK(terminal_picture(Plot{}, 80).empty());
}

TEST_CASE("the mark stands where the lines meet, in the middle of the frame") {
  const std::vector<std::string> lines = lines_of(terminal_picture(crossing(), 80));
  std::size_t found = 0;
  for (std::size_t row = 0; row < lines.size(); ++row) {
    if (lines[row].find("●") == std::string::npos || lines[row].find("│") == std::string::npos)
      continue;
    ++found;
    const std::size_t left = column_of(lines[row], "│") + 1;
    const double middle = static_cast<double>(left) + static_cast<double>(80 - left) / 2;
    CHECK(static_cast<double>(column_of(lines[row], "●")) == doctest::Approx(middle).epsilon(0.03));
    CHECK(row == 8);  // the unit, seven of fourteen rows, then this one
  }
  CHECK(found == 1);
}

TEST_CASE("the falling line begins at the top, the rising one at the bottom") {
  const std::vector<std::string> lines = lines_of(terminal_picture(crossing(), 80));
  const std::size_t first = column_of(lines[1], "│") + 1;
  CHECK(column_of(lines[1], "▀") == first);
  CHECK(column_of(lines[14], "·") == first);
  CHECK(column_of(lines[1], "·") > 70);  // and ends at the top, on the right
}

TEST_CASE("an extrapolated stretch has gaps, a measured one none") {
  Plot plot = crossing();
  plot.series = {line("level", 5, 5, Series::Dash::kSolid)};
  plot.series[0].measured_from = 5;
  const std::vector<std::string> lines = lines_of(terminal_picture(plot, 80));
  const std::string* row = nullptr;
  for (const std::string& one : lines)
    if (one.find("▀▀▀") != std::string::npos || one.find("▄▄▄") != std::string::npos) row = &one;
  REQUIRE(row);
  const std::size_t left = column_of(*row, "│") + 1, from = row->find("▀▀");
  CHECK(column_of(*row, "▀▀") >= left + (80 - left) / 2 - 1);  // the first of two side by side
  CHECK(row->substr(from).find(' ') == std::string::npos);
  std::size_t single = 0;
  for (std::size_t at = row->find("▀"); at < from; at = row->find("▀", at + 1)) ++single;
  CHECK(single > 5);
}

TEST_CASE("every line has its own stroke, told below") {
  Plot plot = crossing();
  plot.series.insert(plot.series.begin() + 1, line("also falls", 8, 0, Series::Dash::kLong));
  const std::string picture = terminal_picture(plot, 80);
  for (const char* wanted : {"█ falls", "▒ also falls", "· rises", "● meets"})
    CHECK(picture.find(wanted) != std::string::npos);
}

TEST_CASE("lines wider than a terminal are folded between words") {
  const std::string text = "  one two three four five six seven\nshort";
  const std::string narrow = folded(text, 20);
  for (const std::string& one : lines_of(narrow)) {
    CHECK(width_of(one) <= 20);
    CHECK((one == "short" || one.starts_with("  ")));
  }
  CHECK(folded(text, 80) == text);
  CHECK(folded(text, 0) == text);
  CHECK(folded("a-word-that-is-longer-than-any-terminal", 20) ==
        "a-word-that-is-longer-than-any-terminal");
}
