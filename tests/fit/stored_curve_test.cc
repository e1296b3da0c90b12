// Curves out of a book that somebody else may have written: one that no fit can have stored is
// refused in a sentence before any equation reads its parameters.
#include <doctest/doctest.h>

#include <cmath>
#include <limits>

#include "db/basis/error.h"
#include "fit/curves/curve.h"

namespace loadline {
namespace {

StoredCurve stored(const std::string& model, std::vector<double> parameters) {
  StoredCurve curve;
  curve.id = 7;
  curve.model = model;
  curve.of_machine = model.rfind("drag", 0) == 0;
  curve.parameters = std::move(parameters);
  curve.parameter_names.assign(curve.parameters.size(), "p");
  curve.covariance = Covariance(curve.parameters.size());
  for (std::size_t i = 0; i < curve.covariance.size; ++i) curve.covariance(i, i) = 1;
  curve.degrees_of_freedom = 20;
  curve.speed_high = 900;
  return curve;
}

std::string refusal(const StoredCurve& curve) {
  try {
    Curve::from_stored(curve);
    return "";
  } catch (const Error& error) {
    CHECK(error.fault() == Fault::kBook);
    return error.what();
  }
}

TEST_CASE("a curve with as many parameters as its model has is taken") {
  CHECK(refusal(stored("series", std::vector<double>(6, 1))) == "");
  CHECK(refusal(stored("series", std::vector<double>(7, 1))) == "");
  CHECK(refusal(stored("permanent-magnet", {0.2, 900})) == "");
  CHECK(refusal(stored("induction", {0.3, 0.2, 314})) == "");
  // With what typed points say that these leave out.
  CHECK(refusal(stored("permanent-magnet", {0.2, 900, -0.1})) == "");
  CHECK(refusal(stored("induction", {0.3, 0.2, 314, 0.8, 0.1})) == "");
  CHECK(refusal(stored("drag", {0.1, 0, 0})) == "");
  CHECK(refusal(stored("drag-stribeck", {0.1, 0, 0, 0.05, 10})) == "");
  CHECK(refusal(stored("smooth", std::vector<double>(4, 0.1))) == "");
}

TEST_CASE("how far another evening lies comes out of the details; damaged ones say nothing") {
  StoredCurve curve = stored("drag", {0.1, 0, 0});
  CHECK_FALSE(Curve::from_stored(curve).another_evening);
  curve.details_json =
      R"({"another_evening": {"level": {"relative_sd": 0.03, "degrees_of_freedom": 3, "sessions": 4}}})";
  const auto spread = Curve::from_stored(curve).another_evening;
  REQUIRE(spread);
  CHECK(spread->relative_sd == 0.03);
  CHECK(spread->degrees_of_freedom == 3);
  CHECK(spread->sessions == 4);
  for (
      const char* damaged :
      {"x", "[]", R"({"another_evening": 3})", R"({"another_evening": {"level": {}}})",
       R"({"another_evening": {"level": {"relative_sd": -1, "degrees_of_freedom": 3, "sessions": 4}}})",
       R"({"another_evening": {"level": {"relative_sd": 1, "degrees_of_freedom": 0, "sessions": 4}}})"}) {
    curve.details_json = damaged;
    CHECK_FALSE(Curve::from_stored(curve).another_evening);
  }
}

TEST_CASE("a curve with fewer or more parameters than its model reads is refused") {
  for (const char* model :
       {"series", "permanent-magnet", "induction", "drag", "drag-stribeck", "smooth"})
    for (const std::size_t count : {0, 1, 3, 8}) {
      const std::string text = refusal(stored(model, std::vector<double>(count, 1)));
      CAPTURE(model);
      CAPTURE(count);
      const bool whole =
          (count == 3 && (std::string(model) == "drag" || std::string(model) == "induction" ||
                          std::string(model) == "permanent-magnet")) ||
          (count == 8 && std::string(model) == "smooth");
      CHECK(text.empty() == whole);
    }
  CHECK(refusal(stored("drag-stribeck", {900, 0.2})) ==
        "curve 7 in the book cannot have come from a fit (2 parameters are not those of the model "
        "'drag-stribeck'); fit it again.");
}

TEST_CASE("a curve of the other kind of part is refused") {
  StoredCurve curve = stored("drag", {0.1, 0, 0});
  curve.of_machine = false;
  CHECK(refusal(curve).find("a motor has no curve of the model 'drag'") != std::string::npos);
  curve = stored("permanent-magnet", {0.2, 900});
  curve.of_machine = true;
  CHECK(refusal(curve).find("a machine has no curve of the model 'permanent-magnet'") !=
        std::string::npos);
}

TEST_CASE("parameters that are no numbers, and speeds that no bench measures, are refused") {
  constexpr double kInfinite = std::numeric_limits<double>::infinity();
  for (const double value : {std::nan(""), kInfinite, -kInfinite})
    CHECK(refusal(stored("permanent-magnet", {0.2, value})).find("a parameter is no number") !=
          std::string::npos);
  const std::pair<double, double> ranges[] = {{0, 0},           {800, 100},     {-5, 100},
                                              {0, 1e300},       {0, kInfinite}, {std::nan(""), 900},
                                              {0, std::nan("")}};
  for (const auto& [low, high] : ranges) {
    StoredCurve curve = stored("permanent-magnet", {0.2, 900});
    curve.speed_low = low;
    curve.speed_high = high;
    CHECK(refusal(curve).find("its range of speeds is none") != std::string::npos);
  }
}

TEST_CASE("the name of an unknown model cannot give a terminal orders") {
  const std::string text = refusal(stored("waltz\x1B[2J", {1}));
  CHECK(text.find("the curve model 'waltz") == 0);
  CHECK(text.find('\x1B') == std::string::npos);
}

}  // namespace
}  // namespace loadline
