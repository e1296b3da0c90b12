// Tables as other people's programs write them. Each file here is written by hand after what a
// spreadsheet of that country, or a logger, gives (common practice); the numbers in it are known.
#include <doctest/doctest.h>

#include <cmath>

#include "db/exchange/csv_in.h"
#include "db/exchange/number_marks.h"
#include "tests/support/scratch.h"

namespace loadline {
namespace {

using testing::Scratch;

std::vector<ImportedReading> read(const std::string& text, const CsvOptions& options = {}) {
  const Scratch scratch;
  std::vector<ImportedReading> all;
  CsvTable table(scratch.write("a.csv", text), options);
  table.each_block([&](std::span<const ImportedReading> rows) {
    all.insert(all.end(), rows.begin(), rows.end());
  });
  return all;
}

std::string refusal(const std::string& text, const CsvOptions& options = {}) {
  try {
    read(text, options);
  } catch (const Error& error) {
    CHECK(error.fault() == Fault::kInput);
    return error.what();
  }
  return "";
}

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

// The run that every table of the first test holds: 0.5 s apart, 9,000.5 and 8,200 rpm, 0.1, 0.25
// N·m.
void require_the_two_rows(const std::vector<ImportedReading>& rows) {
  REQUIRE(rows.size() == 2);
  CHECK(rows[1].time_s - rows[0].time_s == doctest::Approx(0.5));
  CHECK(rows[0].motor_rpm == doctest::Approx(9000.5));
  CHECK(rows[1].motor_rpm == doctest::Approx(8200));
  CHECK(rows[0].torque_nm == doctest::Approx(0.1));
  CHECK(rows[1].torque_nm == doctest::Approx(0.25));
}

std::string utf16(const std::string& text, bool little, bool marked) {
  std::string out = marked ? (little ? "\xFF\xFE" : "\xFE\xFF") : "";
  for (const char c : text)
    for (const char byte : little ? std::string{c, '\0'} : std::string{'\0', c}) out += byte;
  return out;
}

TEST_CASE("one run in the forms of many spreadsheets") {
  const std::string german = "time_s;motor_rpm;torque_nm\n0,0;9000,5;0,1\n0,5;8200;0,25\n";
  const std::string forms[] = {
      german,
      "\xEF\xBB\xBF" + german,
      "sep=;\r\n" + german,
      "\"sep=;\"\n" + german,
      "time_s;motor_rpm;torque_nm\n0,0;9.000,5;0,1\n0,5;8.200;0,25\n",
      "time_s;motor_rpm;torque_nm\n0,0;9 000,5;0,1\n0,5;8 200;0,25\n",
      "time_s;motor_rpm;torque_nm\n0,0;9\u00A0000,5;0,1\n0,5;8\u202F200;0,25\n",
      "time_s;motor_rpm;torque_nm\n0.0;9'000.5;0.1\n0.5;8'200;0.25\n",
      "time_s\tmotor_rpm\ttorque_nm\n0,0\t9000,5\t0,1\n0,5\t8200\t0,25\n",
      "time_s|motor_rpm|torque_nm\n0.0|9000.5|0.1\n0.5|8200|0.25\n",
      std::string("\"time_s\",\"motor_rpm\",\"torque_nm\"\n") +
          "\"0,0\",\"9.000,5\",\"0,1\"\n\"0,5\",\"8200\",\"0,25\"\n",
      "time_s,motor_rpm,torque_nm\n0.0,\"9,000.5\",0.1\n0.5,\"8,200\",0.25\n",
      "time_s;motor_rpm;torque_nm;\n0,0;9000,5;0,1;\n0,5;8200;0,25;\n;;;\n",
      "Time (s),Motor speed [rpm],Torque (N·m)\n0,9000.5,0.1\n0.5,8200,0.25\n",
      "Time_s,Motor_RPM,Torque_Nm\n0,9000.5,0.1\n0.5,8200,0.25\n",
      "Time [ms];Motor speed (1/min);Torque [mN·m]\n0;9000,5;100\n500;8200;250\n",
      "Time (min),Motor speed (rad/s),Torque (N cm)\n0,942.530156,10\n0.008333333,858.701992,25\n",
      "time_s;Motor speed (rpm);Torque in mNm\n19:03:11,25;9000,5;100\n19:03:11,75;8200;250\n",
      // Titles and remarks above the header, units below it.
      std::string("Bench 2, evening of 3 March\nSerial no. 0017\n\n") +
          "time_s,motor_rpm,torque_nm\n0,9000.5,0.1\n0.5,8200,0.25\n",
      "# spring balance\n# time_s;motor_rpm;torque_nm\n0,0;9000,5;0,1\n# a pause\n0,5;8200;0,25\n",
      "Time;Motor speed;Torque\n[ms];[rpm];[mN·m]\n0;9000,5;100\n500;8200;250\n",
      "time_s,motor_rpm,torque_nm\ns,rpm,N·m\n0,9000.5,0.1\n0.5,8200,0.25\n",
      "time_s,motor_rpm,Torque (N-m)\n0,9000.5,0.1\n0.5,8200,0.25\n",
      "  time_s   motor_rpm  torque_nm\n   0.0     9000.5     0.1\n   0.5     8200.0     0.25\n",
      "time_s,motor_rpm,torque_nm\r0,9000.5,0.1\r0.5,8200,0.25\r",
  };
  for (const std::string& form : forms) {
    CAPTURE(form);
    require_the_two_rows(read(form));
  }
  for (const bool little : {true, false})
    for (const bool marked : {true, false})
      require_the_two_rows(read(utf16(german, little, marked)));
}

TEST_CASE("times of day run on over midnight, with a date before them or without") {
  const auto at = [](const std::string& first, const std::string& second) {
    const auto rows = read("time_s;motor_rpm\n" + first + ";1\n" + second + ";2\n");
    REQUIRE(rows.size() == 2);
    CHECK(rows[0].time_s == 0);
    return rows[1].time_s;
  };
  CHECK(at("19:03:11", "19:03:12") == 1);
  CHECK(at("23:59:59.5", "00:00:01") == doctest::Approx(1.5));
  CHECK(at("2026-03-01 23:59:59,500", "2026-03-02 00:00:00,250") == doctest::Approx(0.75));
  CHECK(at("2026-03-01T10:00:00Z", "2026-03-01T10:00:02Z") == 2);
  CHECK(at("1.3.2026 9:59:59", "1.3.2026 10:00:00") == 1);
  CHECK(at("11:59:59 AM", "12:00:01 PM") == 2);
  CHECK(at("03:11,2", "03:12,4") == doctest::Approx(1.2));
  CHECK(has(refusal("time_s;motor_rpm\n10:00:00;1\n09:59:59;2\n"), "time must not run backwards"));
  CHECK(has(refusal("time_s;motor_rpm\n10:61:00;1\n"), "'10:61:00' is no time of day"));
}

TEST_CASE("a mark that means either is decided by the whole file, or by nobody") {
  // Every number by itself may be thousands or decimals; the last one says which.
  const std::string open = "time_s;motor_rpm;torque_nm\n1.000;2.345;1.100\n2.000;2.200;1.200\n";
  CHECK(has(refusal(open), "--decimal point or --decimal comma"));
  CHECK(read(open + "3.000;2.100;1.25\n")[0].motor_rpm == 2.345);
  CHECK(read(open + "3.000;2.100;1,25\n")[0].motor_rpm == 2345);
  CHECK(read(open + "3.000;1.002.100;1\n")[0].motor_rpm == 2345);
  CsvOptions point, comma;
  point.decimal = '.';
  comma.decimal = ',';
  CHECK(read(open, point)[0].motor_rpm == 2.345);
  CHECK(read(open, comma)[0].motor_rpm == 2345);
  CHECK(has(refusal("time_s;motor_rpm\n0;1.5\n1;1,5\n"), "'1.5' (line 2) has a decimal point"));
  // Between commas a point is the decimal one, as import documents.
  CHECK(read("time_s,motor_rpm\n1.000,2.345\n")[0].motor_rpm == 2.345);
  CHECK(has(refusal("time_s;motor_rpm\n0,5;1.23\n1,5;2,5\n"), "decimal"));
}

TEST_CASE("numbers are read by their marks, and nothing else is a number") {
  const NumberMarks comma(','), point('.');
  CHECK(comma.number("1.234.567,5") == 1234567.5);
  CHECK(comma.number("-0,5") == -0.5);
  CHECK(comma.number("\xE2\x88\x92"
                     "2,5e3") == -2500);
  CHECK(point.number("1 234.5") == 1234.5);
  CHECK(point.number(".5") == 0.5);
  CHECK(point.number("5.") == 5);
  for (const char* text : {"1.23,5.6", "12.34", "1.2345,0", ",", "", "-", "1e", "--1", "1,5,5",
                           "0x10", "nan", "1234.567,5"}) {
    CAPTURE(text);
    CHECK_FALSE(comma.number(text));
  }
}

TEST_CASE("foreign columns are named by --columns, with their units") {
  const std::string table =
      "Nr;Zeit;Drehzahl;Moment [mNm];Bemerkung\n1;0,0;9000,5;100;an\n2;0,5;8200;250;\n";
  CsvOptions options;
  options.columns = "Zeit=time_s,Drehzahl=motor_rpm,Moment [mNm]=torque_nm:mN·m,Nr=-,Bemerkung=-";
  require_the_two_rows(read(table, options));
  options.columns = "Nr=-,Bemerkung=-,zeit=time_s,drehzahl=motor_rpm,Moment [mNm]=torque_nm";
  require_the_two_rows(read(table, options));  // the unit that the header itself says
  CsvOptions commas;
  commas.columns = "Time, s=time_s,n = motor=motor_rpm,M [kgf cm]=torque_nm";
  const auto rows = read("Time, s;n = motor;M [kgf cm]\n0;1000;2\n", commas);
  CHECK(rows[0].torque_nm == doctest::Approx(2 * 0.0980665));  // 1 kgf·cm, ISO 80000-3 standard g
}

TEST_CASE("a header that is close gets a ready argument, and it works") {
  const std::string table =
      "Nr;Zeit [ms];Drehzahl;Drehmoment [mNm]\n1;0;9000,5;100\n2;500;8200;250\n";
  const std::string sentence = refusal(table);
  CHECK(has(sentence, "'Nr' (column 1)"));
  const std::string start = "repeat with --columns '";
  const std::size_t at = sentence.find(start);
  REQUIRE(at != std::string::npos);
  CsvOptions options;
  options.columns = sentence.substr(at + start.size());
  options.columns.pop_back();  // the closing quote
  require_the_two_rows(read(table, options));
  CsvOptions by_hand_wheel;
  by_hand_wheel.speed_column = "handwheel_rpm";
  CHECK(
      has(refusal("t;Drehzahl [1/min]\n0;1\n", by_hand_wheel), "Drehzahl [1/min]=handwheel_rpm'"));
}

TEST_CASE("a unit that is not known is asked for, not taken for the book's") {
  const std::string table = "time_s,motor_rpm,Torque (stone in)\n0,9000,1\n";
  const std::string sentence = refusal(table);
  CHECK(
      has(sentence, "--columns 'Torque (stone in)=torque_nm:UNIT'. 'stone in' is no unit that is"));
  CHECK(has(sentence, "put N·m, mN·m,"));
  // 1 ozf·in, 1 lbf·in, 1 lbf·ft in N·m: NIST SP 811 (2008), appendix B.8, from memory.
  const std::pair<const char*, double> imperial[] = {
      {"oz-in", 7.061552e-3}, {"ozf·in", 7.061552e-3}, {"lbf·in", 0.1129848},
      {"in-lb", 0.1129848},   {"lbf·ft", 1.355818},    {"ft-lbs", 1.355818}};
  for (const auto& known : imperial) {
    const std::string unit = known.first;
    CAPTURE(unit);
    const auto rows = read("time_s,Torque (" + unit + ")\n0,2\n");
    CHECK(rows[0].torque_nm == doctest::Approx(2 * known.second).epsilon(1e-6));
  }
}

TEST_CASE("columns that nobody needs get an argument that leaves them out") {
  const std::string sentence = refusal("No,time_s,motor_rpm,Remark\n1,0,9000,ok\n");
  CHECK(has(sentence, "If they are not needed, repeat with --columns 'No=-,Remark=-'"));
  CHECK(has(refusal("time_s,rpm 1,rpm 2,torque_nm\n0,1,2,3\n"), "'rpm 1=motor_rpm,rpm 2=-'"));
}

TEST_CASE("a foreign header is found below what stands above it") {
  const std::string table = "Logger 3\nSerial: 0017\n\nZeit;Drehzahl\n[s];[1/min]\n0,0;9000\n";
  CHECK(
      has(refusal(table), "line 4: the header has columns that are not known: 'Zeit' (column 1)"));
  CsvOptions options;
  options.columns = "Zeit=time_s,Drehzahl=motor_rpm";
  const Scratch scratch;
  CsvTable opened(scratch.write("a.csv", table), options);
  CHECK(opened.lines_left_out() == 2);
  CHECK(read(table, options)[0].motor_rpm == 9000);
  CHECK(has(refusal("time_s,motor_rpm\nms,rpm\n0,1\n"), "the row below says 'ms'"));
}

TEST_CASE("words that stand for no value are missing values") {
  const auto rows =
      read("time_s;motor_rpm;torque_nm\n0;n/a;0,1\n1;---;OL\n2;NaN;0,3\n3;900;#N/A\n");
  REQUIRE(rows.size() == 4);
  CHECK(std::isnan(rows[0].motor_rpm));
  CHECK(std::isnan(rows[1].torque_nm));
  CHECK(std::isnan(rows[2].motor_rpm));
  CHECK(rows[3].motor_rpm == 900);
  CHECK(std::isnan(read("time_s,motor_rpm,torque_nm\n0,1,OL\n")[0].torque_nm));
  CHECK(has(refusal("time_s;motor_rpm\n0;1,5\nn/a;2\n"), "the time is missing"));
}

TEST_CASE("what is no text is told what it is") {
  CHECK(has(refusal("PK\x03\x04 and so on"), "a spreadsheet's own file"));
  CHECK(has(refusal("<html><body>time_s</body></html>"), "a page or a document"));
}

TEST_CASE("what --columns cannot mean is said") {
  const std::string table = "a;b\n0;1\n";
  const auto says = [&](const std::string& columns) {
    CsvOptions options;
    options.columns = columns;
    return refusal(table, options);
  };
  CHECK(has(says("a=speed"), "names no column"));
  CHECK(has(says("a=time_s,b=torque_nm:furlong"), "unit 'furlong'"));
  CHECK(has(says("a=time_s,b=torque_nm:V"), "unit 'V'"));
  CHECK(has(says("a=time_s,c=motor_rpm"), "'c', which stands in no cell of the header ('a', 'b')"));
  CHECK(has(says("a=time_s,b=time_s"), "this column twice"));
  CHECK(has(says("=time_s"), "without a name"));
  CsvOptions options;
  options.columns = "M [foo]=torque_nm";
  CHECK(has(refusal("time_s;M [foo]\n0;1\n", options), "name one: 'M [foo]=torque_nm:UNIT'"));
}

TEST_CASE("letters of an older code page stand in a header without harm") {
  CsvOptions options;
  options.columns = "Zeit=time_s,Drehzahl f\xC3\xBCr Motor=motor_rpm";
  const auto rows = read(
      "Zeit;Drehzahl f\xFCr Motor\n0;1\xA0"
      "000\n1;900\n",
      options);
  CHECK(rows[0].motor_rpm == 1000);
}

}  // namespace
}  // namespace loadline
