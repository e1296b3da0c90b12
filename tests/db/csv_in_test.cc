// CSV from elsewhere: what the header of `import` promises, and every way a file breaks it.
#include "db/exchange/csv_in.h"

#include <doctest/doctest.h>

#include <cmath>

#include "tests/support/scratch.h"

namespace loadline {
namespace {

using testing::Scratch;

std::vector<ImportedReading> read(const std::string& text) {
  const Scratch scratch;
  std::vector<ImportedReading> all;
  read_csv(scratch.write("a.csv", text), [&](std::span<const ImportedReading> rows) {
    all.insert(all.end(), rows.begin(), rows.end());
  });
  return all;
}

// The sentence with which `text` is refused, without the folder's name.
std::string refusal(const std::string& text) {
  try {
    read(text);
  } catch (const Error& error) {
    CHECK(error.fault() == Fault::kInput);
    const std::string sentence = error.what();
    return sentence.substr(sentence.find("a.csv"));
  }
  return "accepted";
}

TEST_CASE("columns come in any order") {
  const auto rows = read("torque_nm,time_s,motor_rpm\n0.25,1,6000\n");
  REQUIRE(rows.size() == 1);
  CHECK(rows[0].time_s == 1);
  CHECK(rows[0].motor_rpm == 6000);
  CHECK(rows[0].torque_nm == 0.25);
  CHECK(std::isnan(rows[0].handwheel_rpm));
}

TEST_CASE("byte order mark, CRLF, quotes, blanks, a plus sign and exponents are read") {
  const auto rows =
      read("\xEF\xBB\xBF\"time_s\" , motor_rpm\r\n 0 ,\"+1.5\"\r\n\t\"1\" , -2e3 \r\n");
  REQUIRE(rows.size() == 2);
  CHECK(rows[0].motor_rpm == 1.5);
  CHECK(rows[1].time_s == 1);
  CHECK(rows[1].motor_rpm == -2000);
}

TEST_CASE("an empty cell is a missing value, at the end of a row too") {
  const auto rows = read("time_s,motor_rpm,torque_nm\n0,,\n1, ,2\n2,\"\",\n");
  REQUIRE(rows.size() == 3);
  for (const auto& row : rows) CHECK(std::isnan(row.motor_rpm));
  CHECK(std::isnan(rows[0].torque_nm));
  CHECK(rows[1].torque_nm == 2);
  CHECK(std::isnan(rows[2].torque_nm));
}

TEST_CASE("numbers are read to the last bit") {
  const auto rows =
      read("time_s,motor_rpm\n0.1,4.9406564584124654e-324\n0.30000000000000004,1e15\n");
  CHECK(rows[0].time_s == 0.1);
  CHECK(rows[0].motor_rpm == 4.9406564584124654e-324);
  CHECK(rows[1].time_s == 0.1 + 0.2);
}

TEST_CASE("a number too small for a double is zero") {
  CHECK(read("time_s,motor_rpm\n0,1e-999\n")[0].motor_rpm == 0);
}

TEST_CASE("empty lines are passed over and the last line end may be missing") {
  CHECK(read("\ntime_s,motor_rpm\n\n0,1\n  \n1,2").size() == 2);
}

TEST_CASE("equal times are kept: a file may be rounded") {
  CHECK(read("time_s,motor_rpm\n0,1\n0,2\n").size() == 2);
}

TEST_CASE("more rows than a block, and lines across the pieces of the file, arrive whole") {
  std::string text = "time_s,motor_rpm\n";
  const int rows = 200000;
  for (int i = 0; i < rows; ++i) text += std::to_string(i) + "," + std::to_string(i) + ".5\n";
  const auto all = read(text);
  REQUIRE(all.size() == rows);
  for (int i = 0; i < rows; i += 997) {
    CHECK(all[static_cast<std::size_t>(i)].time_s == i);
    CHECK(all[static_cast<std::size_t>(i)].motor_rpm == i + 0.5);
  }
}

TEST_CASE("a line longer than the first piece of the file arrives whole, up to 2^20 bytes") {
  for (const int blanks : {65'500, 65'536, 200'000, (1 << 20) - 3}) {
    const auto all = read("time_s,motor_rpm\n0," +
                          std::string(static_cast<std::size_t>(blanks), ' ') + "7\n1,8\n");
    REQUIRE(all.size() == 2);
    CHECK(all[0].motor_rpm == 7);
    CHECK(all[1].motor_rpm == 8);
  }
}

TEST_CASE("each refusal names line and column") {
  struct Row {
    const char* text;
    const char* says;
  };
  const Row table[] = {
      {"", "a.csv, line 1: the file is empty"},
      {"\n\n", "a.csv, line 1: the file is empty"},
      {"time_s,motor_rpm\n", "a.csv, line 1: there is a header but no reading"},
      {"time_s\n1\n", "a.csv, line 1: the header has no column beside time_s"},
      {"time_s,foo,motor_rpm,bar\n", "known: 'foo' (column 2), 'bar' (column 4)."},
      {"time_s,motor_rpm,motor_rpm\n", "a.csv, line 1, column 3 (motor_rpm): the header has this"},
      {"time_s,motor_rpm,\n0,1,2\n", "a.csv, line 2, column 3 (): '2' stands under no name"},
      {"time_s,motor_rpm,motor_rpm_sd\n0,1,2\n", "column 3 (motor_rpm_sd): standard uncertainties"},
      {"motor_rpm,motor_rpm_sd\n1,-2\n", "line 2, column 2 (motor_rpm_sd): a standard uncertainty"},
      {"motor_rpm_sd\n1\n", "a.csv, line 1: the header has no column of readings"},
      {"motor_rpm,torque_nm\n,\n", "a.csv, line 2: there is a header but no reading"},
      {"0,1\n1,2\n", "a.csv, line 1: numbers stand where the names of the columns belong"},
      {"time_s,motor_rpm\n0,1\n1\n", "a.csv, line 3: 1 cells, but the header has 2 columns"},
      {"time_s,motor_rpm\n0,1,2\n", "a.csv, line 2: 3 cells, but the header has 2 columns"},
      {"time_s,motor_rpm\n0,1,\n", "a.csv, line 2: 3 cells, but the header has 2 columns"},
      {"time_s,motor_rpm\n0,1\n,2\n", "a.csv, line 3, column 1 (time_s): the time is missing"},
      {"motor_rpm,time_s\n1,1\n\n2,0.5\n",
       "a.csv, line 4, column 2 (time_s): 0.5 s comes after 1 s"},
      {"time_s,motor_rpm\n0,nan\n", "a.csv, line 2, column 2 (motor_rpm): 'nan' is not a finite"},
      {"time_s,motor_rpm\n0,-inf\n", "column 2 (motor_rpm): '-inf' is not a finite number"},
      {"time_s,motor_rpm\n0,1e999\n", "column 2 (motor_rpm): '1e999' is not a finite number"},
      {"time_s,motor_rpm\n0,2e15\n", "column 2 (motor_rpm): '2e15' is not a finite number"},
      {"time_s,motor_rpm\n0,fast\n", "column 2 (motor_rpm): 'fast' is not a number"},
      {"time_s,motor_rpm\n0,12 rpm\n", "'12 rpm' is not a number"},
      {"time_s,motor_rpm\n0,0x10\n", "'0x10' is not a number"},
      {"time_s,motor_rpm\n0,+-1\n", "'+-1' is not a number"},
      {"time_s,mo\t\tor_rpm\n", "'mo  or_rpm' (column 2)"},
      {"time_s,motor_rpm\n0,\"1\n\",2\n", "a.csv, line 2: a quoted cell has no closing quote"},
      {"time_s,motor_rpm\n0,\"1\"2\n", "a.csv, line 2: characters stand after the closing quote"},
  };
  for (const Row& row : table) {
    CAPTURE(row.text);
    CHECK(refusal(row.text).find(row.says) != std::string::npos);
  }
}

TEST_CASE("a file that is no text at all is refused without quoting its bytes") {
  std::string bytes(3000, '\0');
  for (std::size_t i = 0; i < bytes.size(); ++i) bytes[i] = static_cast<char>(i * 7919 >> 3);
  const std::string sentence = refusal(bytes);
  for (const char c : sentence) CHECK((static_cast<unsigned char>(c) >= 32));
  CHECK(refusal(std::string("\xFF\xFEt\0i\0", 6)).find("'ti' (column 1)") != std::string::npos);
  CHECK(refusal(std::string(3 << 20, 'x')).find("longer than") != std::string::npos);
}

TEST_CASE("a refused file leaves the book as it was") {
  const Scratch scratch;
  Book book = Book::open(scratch.path("bench.book"), Book::Mode::kCreate);
  std::string text = "time_s,motor_rpm\n";
  for (int i = 0; i < 20000; ++i) text += std::to_string(i) + ",1\n";
  const std::string path = scratch.write("late.csv", text + "5,1\n");
  CHECK_THROWS_AS(import_csv(book, path, {}), Error);
  RunFilter all;
  all.with_open = true;
  CHECK(book.runs(all).empty());
  CHECK(import_csv(book, scratch.write("good.csv", text), {}) == 1);
  CHECK(book.run(1).sample_count == 20000);
}

}  // namespace
}  // namespace loadline
