#include "bench.h"

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <stdexcept>

namespace benches {

std::string Bench::json() const {
  Facts all;
  all.add("family", family);
  all.add("kind", kind);
  all.add("truth", truth);
  all.add("added", added);
  std::string text = all.json();
  text.pop_back();
  const std::string more = known.json();
  if (more.size() > 2) text += ", " + more.substr(1, more.size() - 2);
  return text + ", \"o\": " + o.json() + ", \"info\": " + info.json() + "}\n";
}

const std::vector<std::string>& families() {
  static const std::vector<std::string> names = {"coast", "brake", "spin-up", "steady"};
  return names;
}

std::vector<std::string> kinds_of(const std::string& family) {
  if (family == "steady") return {"typed", "typed-sd", "typed-repeats"};
  std::vector<std::string> kinds = tachometer_kinds();
  if (family == "spin-up") std::erase(kinds, "hand");  // once a second is too slow for it
  return kinds;
}

Bench make_bench(const std::string& family, const std::string& kind, std::uint64_t seed,
                 int index) {
  std::uint64_t mixed = seed * 1000003u + static_cast<std::uint64_t>(index);
  for (const char c : family + '/' + kind) mixed = mixed * 131u + static_cast<unsigned char>(c);
  Dice dice(mixed);
  Bench bench = family == "coast"     ? make_coast(kind, dice)
                : family == "brake"   ? make_brake(kind, dice)
                : family == "spin-up" ? make_spin_up(kind, dice)
                : family == "steady"  ? make_steady(kind, dice)
                                      : throw std::invalid_argument("no family " + family);
  bench.family = family, bench.kind = kind;
  return bench;
}

std::string shown(double value, double step) {
  const int decimals = std::max(0, static_cast<int>(std::ceil(-std::log10(step) - 1e-9)));
  char text[40];
  std::snprintf(text, sizeof text, "%.*f", decimals, value == 0.0 ? 0.0 : value);
  return text;
}

std::string table_of(const std::string& speed_column, const std::vector<Row>& rows,
                     const Tachometer& tachometer, const std::vector<double>* torque,
                     double torque_step) {
  std::string text = "time_s," + speed_column + (torque ? ",torque_nm\n" : "\n");
  for (std::size_t i = 0; i < rows.size(); ++i) {
    text += shown(rows[i].stamp, tachometer.rows.stamp_step) + ',' +
            shown(rows[i].rpm, tachometer.digit);
    if (torque) text += ',' + shown((*torque)[i], torque_step);
    text += '\n';
  }
  return text;
}

}  // namespace benches
