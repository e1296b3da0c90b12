#include "fit/report/plots/table.h"

#include <doctest/doctest.h>

using namespace loadline;

namespace {

Table hostile_table() {
  Table table;
  table.id = "belts";
  table.caption = "Belts <by> speed";
  table.columns = {{"Belt", "", false}, {"Top speed", "rpm", true}, {"Turns", "", false}};
  table.rows = {{std::string("ring, \"soft\""), Estimate{910.25, 900.5, 920, "rpm"}, 3.0},
                {std::string("=1+1"), Estimate::unknown("rpm"), -0.5},
                {std::string("two\nlines"), Estimate::exact(7, "rpm"), 1e9}};
  return table;
}

}  // namespace

TEST_CASE("the CSV file follows RFC 4180 and gives each limit its own column") {
  // RFC 4180, section 2: CRLF ends rows (1); a header of the same shape (3); fields with line
  // breaks, quotes and commas are quoted (6), quotes inside doubled (7).
  CHECK(to_csv(hostile_table()) ==
        "Belt,Top speed (rpm),Top speed (rpm) low,Top speed (rpm) high,Turns\r\n"
        "\"ring, \"\"soft\"\"\",910.25,900.5,920,3\r\n"
        "'=1+1,,,,-0.5\r\n"
        "\"two\nlines\",7,,,1e+09\r\n");
}

TEST_CASE("a name that a spreadsheet would run becomes text, a negative number stays a number") {
  Table table;
  table.columns = {{"Name", "", false}, {"Value", "", false}};
  for (const char* name : {"=A1", "+A1", "-A1", "@A1", "\tA1"})
    table.rows.push_back({std::string(name), -2.0});
  const std::string csv = to_csv(table);
  for (const char* safe : {"'=A1,-2", "'+A1,-2", "'-A1,-2", "'@A1,-2", "'\tA1,-2"})
    CHECK(csv.find(safe) != std::string::npos);
}

TEST_CASE("no text of a table becomes markup") {
  const std::string html = to_html(hostile_table());
  CHECK(html.find("Belts &lt;by&gt; speed") != std::string::npos);
  CHECK(html.find("<by>") == std::string::npos);
  CHECK(html.find("scope=\"col\"") != std::string::npos);
}

TEST_CASE("an estimate shows its interval and never invents one") {
  CHECK(estimate_html({8210, 8150, 8270, "rpm"}, true) ==
        "8,210 <span class=\"unit\">rpm</span> <span class=\"interval\">(8,150 to 8,270)</span>");
  CHECK(estimate_html(Estimate::unknown("rpm"), true) == "unknown");
  CHECK(estimate_html(Estimate::exact(2, "mm"), true).find("interval") == std::string::npos);
}
