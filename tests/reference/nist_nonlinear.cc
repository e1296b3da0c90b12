#include "tests/reference/nist_nonlinear.h"

#include <cmath>
#include <cstdlib>
#include <fstream>
#include <numbers>
#include <stdexcept>

#include "fit/solver/jet_residuals.h"
#include "tests/support/tests_folder.h"

namespace loadline::reference {
namespace {

std::vector<double> numbers_of(const std::string& text) {
  std::vector<double> numbers;
  for (const char* at = text.c_str();;) {
    char* end = nullptr;
    const double number = std::strtod(at, &end);
    if (end == at) return numbers;
    numbers.push_back(number);
    at = end;
  }
}

// A constant or datum in the scalar of the formula.
template <class T>
T as(double value) {
  return T(value);
}

/// model(b, x) − y; the model is templated on its scalar.
template <class Model>
struct Formula {
  const NonlinearSet* set;
  Model model;
  template <class T>
  T operator()(const T* b, int i) const {
    const auto row = static_cast<std::size_t>(i);
    return model(b, as<T>(set->x[row])) - as<T>(set->y[row]);
  }
};

/// Nelson's response is log y, and it has two predictors.
struct NelsonFormula {
  const NonlinearSet* set;
  template <class T>
  T operator()(const T* b, int i) const {
    using std::exp;
    const auto row = static_cast<std::size_t>(i);
    return b[0] - b[1] * as<T>(set->x[row]) * exp(-b[2] * as<T>(set->x2[row])) -
           as<T>(std::log(set->y[row]));
  }
};

template <int kParameters, class Rule>
std::unique_ptr<Residuals> residuals_of(const NonlinearSet& set, Rule rule) {
  return std::make_unique<JetResiduals<kParameters, Rule>>(static_cast<int>(set.y.size()), rule);
}

template <int kParameters, class Model>
NistProblem problem(std::string name, double digits, Model model) {
  return {std::move(name), digits, [model](const NonlinearSet& set) {
            return residuals_of<kParameters>(set, Formula<Model>{&set, model});
          }};
}

const double kPi = std::numbers::pi;

template <class T>
T lanczos(const T* b, T x) {
  using std::exp;
  return b[0] * exp(-b[1] * x) + b[2] * exp(-b[3] * x) + b[4] * exp(-b[5] * x);
}

template <class T>
T gauss(const T* b, T x) {
  using std::exp;
  const T left = (x - b[3]) / b[4], right = (x - b[6]) / b[7];
  return b[0] * exp(-b[1] * x) + b[2] * exp(-left * left) + b[5] * exp(-right * right);
}

template <class T>
T cubic_ratio(const T* b, T x) {
  return (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) /
         (as<T>(1) + x * (b[4] + x * (b[5] + x * b[6])));
}

template <class T>
T enso(const T* b, T x) {
  using std::cos;
  using std::sin;
  const T turn = as<T>(2 * kPi) * x;
  const T year = turn / as<T>(12), first = turn / b[3], second = turn / b[6];
  return b[0] + b[1] * cos(year) + b[2] * sin(year) + b[4] * cos(first) + b[5] * sin(first) +
         b[7] * cos(second) + b[8] * sin(second);
}

template <class T>
T chwirut(const T* b, T x) {
  using std::exp;
  return exp(-b[0] * x) / (b[1] + b[2] * x);
}

template <class T>
T saturation(const T* b, T x) {
  using std::exp;
  return b[0] * (as<T>(1) - exp(-b[1] * x));
}

std::vector<NistProblem> problems_of_one_to_three() {
  using std::exp;
  using std::pow;
  using std::sqrt;
  return {
      problem<2>("Misra1a", 9, []<class T>(const T* b, T x) { return saturation(b, x); }),
      problem<2>("Misra1b", 9,
                 []<class T>(const T* b, T x) {
                   const T root = as<T>(1) + b[1] * x / as<T>(2);
                   return b[0] * (as<T>(1) - as<T>(1) / (root * root));
                 }),
      problem<2>("Misra1c", 9,
                 []<class T>(const T* b, T x) {
                   return b[0] * (as<T>(1) - as<T>(1) / sqrt(as<T>(1) + as<T>(2) * b[1] * x));
                 }),
      problem<2>("Misra1d", 9,
                 []<class T>(const T* b, T x) { return b[0] * b[1] * x / (as<T>(1) + b[1] * x); }),
      problem<2>("DanWood", 9, []<class T>(const T* b, T x) { return b[0] * pow(x, b[1]); }),
      problem<2>("BoxBOD", 9, []<class T>(const T* b, T x) { return saturation(b, x); }),
      problem<3>("Chwirut1", 9, []<class T>(const T* b, T x) { return chwirut(b, x); }),
      problem<3>("Chwirut2", 9, []<class T>(const T* b, T x) { return chwirut(b, x); }),
      problem<3>("Bennett5", 9,
                 []<class T>(const T* b, T x) { return b[0] * pow(b[1] + x, as<T>(-1) / b[2]); }),
      problem<3>("Eckerle4", 9,
                 []<class T>(const T* b, T x) {
                   const T z = (x - b[2]) / b[1];
                   return b[0] / b[1] * exp(as<T>(-0.5) * z * z);
                 }),
      problem<3>("MGH10", 9,
                 []<class T>(const T* b, T x) { return b[0] * exp(b[1] / (x + b[2])); }),
      problem<3>("Rat42", 9,
                 []<class T>(const T* b, T x) { return b[0] / (as<T>(1) + exp(b[1] - b[2] * x)); }),
      {"Nelson", 9,
       [](const NonlinearSet& set) { return residuals_of<3>(set, NelsonFormula{&set}); }},
  };
}

std::vector<NistProblem> problems_of_four_and_more() {
  using std::atan;
  using std::exp;
  using std::pow;
  return {
      problem<4>(
          "MGH09", 9,
          []<class T>(const T* b, T x) { return b[0] * x * (x + b[1]) / (x * (x + b[2]) + b[3]); }),
      problem<4>("Rat43", 9,
                 []<class T>(const T* b, T x) {
                   return b[0] / pow(as<T>(1) + exp(b[1] - b[2] * x), as<T>(1) / b[3]);
                 }),
      problem<4>("Roszman1", 9,
                 []<class T>(const T* b, T x) {
                   return b[0] - b[1] * x - atan(b[2] / (x - b[3])) / as<T>(kPi);
                 }),
      problem<5>("Kirby2", 9,
                 []<class T>(const T* b, T x) {
                   return (b[0] + x * (b[1] + x * b[2])) / (as<T>(1) + x * (b[3] + x * b[4]));
                 }),
      problem<5>("MGH17", 9,
                 []<class T>(const T* b, T x) {
                   return b[0] + b[1] * exp(-x * b[3]) + b[2] * exp(-x * b[4]);
                 }),
      problem<6>("Lanczos1", 2.5, []<class T>(const T* b, T x) { return lanczos(b, x); }),
      problem<6>("Lanczos2", 9, []<class T>(const T* b, T x) { return lanczos(b, x); }),
      problem<6>("Lanczos3", 9, []<class T>(const T* b, T x) { return lanczos(b, x); }),
      problem<7>("Hahn1", 9, []<class T>(const T* b, T x) { return cubic_ratio(b, x); }),
      problem<7>("Thurber", 9, []<class T>(const T* b, T x) { return cubic_ratio(b, x); }),
      problem<8>("Gauss1", 9, []<class T>(const T* b, T x) { return gauss(b, x); }),
      problem<8>("Gauss2", 9, []<class T>(const T* b, T x) { return gauss(b, x); }),
      problem<8>("Gauss3", 9, []<class T>(const T* b, T x) { return gauss(b, x); }),
      problem<9>("ENSO", 9, []<class T>(const T* b, T x) { return enso(b, x); }),
  };
}

}  // namespace

// Line 41 on: "  b1 =  start1  start2  certified  sd"; line 61 on: "y x [x2]".
NonlinearSet read_nist_nonlinear(const std::string& name) {
  std::ifstream file(loadline::tests_folder() + "/reference/nist/nonlinear/" + name + ".dat");
  if (!file.good()) throw std::runtime_error("no data set " + name);
  NonlinearSet set;
  std::string line;
  for (int number = 1; std::getline(file, line); ++number) {
    const auto equals = line.find('=');
    const auto colon = line.find(':');
    if (number >= 41 && number < 61 && equals != std::string::npos) {
      const auto row = numbers_of(line.substr(equals + 1));
      if (row.size() != 4) throw std::runtime_error(name + ": a parameter has four numbers");
      for (int s = 0; s < 2; ++s) set.start[s].push_back(row[s]);
      set.certified.push_back(row[2]);
      set.certified_sd.push_back(row[3]);
    } else if (number < 61 && line.rfind("Residual Sum of Squares:", 0) == 0) {
      set.certified_rss = numbers_of(line.substr(colon + 1)).at(0);
    } else if (number >= 61) {
      const auto row = numbers_of(line);
      if (row.size() < 2) continue;
      set.y.push_back(row[0]);
      set.x.push_back(row[1]);
      if (row.size() > 2) set.x2.push_back(row[2]);
    }
  }
  return set;
}

std::vector<NistProblem> nist_problems() {
  auto all = problems_of_one_to_three();
  for (NistProblem& one : problems_of_four_and_more()) all.push_back(std::move(one));
  return all;
}

}  // namespace loadline::reference
