// Roots and scans in one dimension, on top of Boost.Math (kept out of this header).
#pragma once

#include <memory>
#include <optional>
#include <span>
#include <type_traits>
#include <vector>

namespace loadline {

/// Refers to a callable double → double for the length of one call; owns nothing, allocates
/// nothing.
class FunctionView {
 public:
  template <class F>
  requires(!std::is_same_v<std::remove_cvref_t<F>, FunctionView>)
      FunctionView(F&& f)  // NOLINT: a view is made where a callable is passed
      : object_(const_cast<void*>(static_cast<const void*>(std::addressof(f)))),
        call_([](void* object, double x) {
          return static_cast<double>((*static_cast<std::remove_reference_t<F>*>(object))(x));
        }) {}
  double operator()(double x) const { return call_(object_, x); }

 private:
  void* object_;
  double (*call_)(void*, double);
};

/// Root of f in [low, high], where f(low) and f(high) differ in sign (or one of them is 0).
double bracketed_root(FunctionView f, double low, double high);

/// All roots of f along the rising `grid`, in order. A pair of roots between two neighbours of the
/// grid is found too, when f comes near zero and turns there. Points where f is not finite count as
/// the end of f.
std::vector<double> all_roots(FunctionView f, std::span<const double> grid);

/// Root of f beyond `start`, where f(start) < 0: the step doubles until f is positive or `limit` is
/// passed (then empty).
std::optional<double> root_above(FunctionView f, double start, double step, double limit);

}  // namespace loadline
