#include "fit/report/plots/plot.h"

#include <doctest/doctest.h>
#include <nlohmann/json.hpp>

#include <cmath>
#include <limits>

#include "fit/report/pages/page.h"

using namespace loadline;

namespace {

constexpr double kNan = std::numeric_limits<double>::quiet_NaN();

std::size_t count(const std::string& text, const std::string& what) {
  std::size_t found = 0;
  for (std::size_t at = text.find(what); at != std::string::npos; at = text.find(what, at + 1))
    ++found;
  return found;
}

Plot falling_curve() {
  Plot plot;
  plot.id = "torque";
  plot.title = "Torque of \"A <b> & C\"";
  plot.x = {"Speed", "rpm", {}, {}, false, {}};
  plot.y = {"Torque", "N·m", {}, {}, true, {}};
  Series line;
  line.name = "Fit";
  for (int i = 0; i <= 100; ++i) {
    line.x.push_back(i * 100.0);
    line.y.push_back(0.2 - i * 0.001);
    line.low.push_back(line.y.back() - 0.01);
    line.high.push_back(line.y.back() + 0.01);
  }
  line.measured_from = 2000;
  line.measured_to = 8000;
  plot.series = {line};
  return plot;
}

}  // namespace

TEST_CASE("ticks are whole steps of 1, 2 or 5 and cover the range") {
  CHECK(nice_ticks(0, 10, 5) == std::vector<double>{0, 2, 4, 6, 8, 10});
  CHECK(nice_ticks(-3, 12, 3) == std::vector<double>{-5, 0, 5, 10, 15});
  for (const double size : {1e-7, 0.013, 1.0, 977.0, 4.2e9}) {
    const auto ticks = nice_ticks(-0.3 * size, size, 7);
    REQUIRE(ticks.size() >= 4);
    CHECK(ticks.size() <= 14);
    CHECK(ticks.front() <= -0.3 * size);
    CHECK(ticks.back() >= size * (1 - 1e-9));
  }
  CHECK(nice_ticks(1, 1, 5).empty());
  CHECK(nice_ticks(0, kNan, 5).empty());
}

TEST_CASE("what was not measured looks different in the picture and is marked in the data") {
  const Plot plot = falling_curve();
  const std::string svg = to_svg(plot, true);
  CHECK(count(svg, "class=\"line c1 far\"") == 1);
  CHECK(count(svg, "class=\"band c1\"") == 1);
  const Json chart = to_chart(plot);
  CHECK(chart["sets"][0]["from"] == 2000);
  CHECK(chart["sets"][0]["to"] == 8000);
  Plot whole = plot;
  whole.series[0].measured_from.reset();
  whole.series[0].measured_to.reset();
  CHECK(count(to_svg(whole, true), "class=\"line c1 far\"") == 0);
}

TEST_CASE("every axis names quantity and unit, and no name becomes markup") {
  const std::string svg = to_svg(falling_curve(), false);
  CHECK(svg.find("Speed (rpm)") != std::string::npos);
  CHECK(svg.find("Torque (N·m)") != std::string::npos);
  CHECK(svg.find("A &lt;b&gt; &amp; C") != std::string::npos);
  CHECK(svg.find("<b>") == std::string::npos);
  CHECK(to_chart(falling_curve())["x"]["title"] == "Speed (rpm)");
}

TEST_CASE("values that are no numbers leave a gap instead of breaking the picture") {
  Plot plot = falling_curve();
  plot.series[0].y[50] = kNan;
  plot.series[0].low[50] = -std::numeric_limits<double>::infinity();
  const std::string svg = to_svg(plot, false);
  CHECK(svg.find("nan") == std::string::npos);
  CHECK(svg.find("inf") == std::string::npos);
  CHECK(to_chart(plot)["sets"][0]["y"][50].is_null());
}

TEST_CASE("an empty plot and a plot of one value have a range to show") {
  Plot plot;
  plot.x = {"Speed", "rpm", {}, {}, false, {}};
  plot.y = {"Torque", "N·m", {}, {}, false, {}};
  CHECK(shown_range(plot.y, plot, true).high > shown_range(plot.y, plot, true).low);
  plot.series.push_back({});
  plot.series[0].x = {5};
  plot.series[0].y = {0};
  CHECK(shown_range(plot.y, plot, true).high > 0);
  CHECK(shown_range(plot.x, plot, false).low < 5);
  CHECK(to_svg(plot, false).find("nan") == std::string::npos);
}

TEST_CASE("thinning keeps both ends and never more than was asked") {
  Series series;
  for (int i = 0; i < 100'003; ++i) {
    series.x.push_back(i);
    series.y.push_back(2.0 * i);
  }
  const Series few = thinned(series, 5000);
  CHECK(few.x.size() <= 5000);
  CHECK(few.x.size() > 4000);
  CHECK(few.x.front() == 0);
  CHECK(few.x.back() == 100'002);
  CHECK(few.y.back() == 200'004);
}

TEST_CASE("names of ids and files hold nothing but letters, digits and hyphens") {
  CHECK(slug("Heron 70 / No. 2", 3) == "heron-70-no-2-3");
  CHECK(slug("../../etc/passwd", 1) == "etc-passwd-1");
  CHECK(slug("🧵", 7) == "7");
  CHECK(slug("<script>", 0) == "script-0");
}

TEST_CASE("a hostile name in a page cannot end a script, open a tag or load anything") {
  Page page("</title><script>alert(1)</script>", "\"><img src=x onerror=alert(1)>");
  page.section("a", "</h2><script>alert(2)</script>");
  page.paragraph("<b>");
  Plot plot = falling_curve();
  plot.series[0].name = "</script><script>alert(3)</script>";
  page.plot(plot);
  const std::string html = page.finish();
  CHECK(html.find("<script>alert") == std::string::npos);
  CHECK(html.find("<img") == std::string::npos);
  // Two scripts of ours run (chart library, report.js); the rest are data.
  CHECK(count(html, "<script nonce=") == 2);
  CHECK(count(html, "<script type=\"application/json\"") ==
        2);  // the plot's and the words of report.js
  CHECK(html.find("default-src 'none'") != std::string::npos);
  // Every page gets a nonce of its own.
  CHECK(page.finish() != html);
}
