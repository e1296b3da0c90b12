// A book of many runs for the bench.
//   big_book BOOK RUNS SAMPLES   makes BOOK with RUNS runs of SAMPLES samples each
//
// Motor M and machine K have a run in every thousandth (at least one), the others belong to a
// hundred other motors and machines; M and K have curves.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <string>
#include <vector>

#include "db/book.h"

using namespace loadline;

namespace {

std::int64_t add_part(Book& book, PartKind kind, const std::string& name) {
  Part part;
  part.kind = kind;
  part.name = name;
  return book.add(part);
}

StoredCurve curve(bool of_machine, std::int64_t subject, std::vector<std::string> names,
                  std::vector<double> parameters) {
  StoredCurve curve;
  curve.of_machine = of_machine;
  curve.subject = subject;
  curve.model = of_machine ? "drag" : "permanent-magnet";
  curve.covariance = Covariance(parameters.size());
  for (std::size_t i = 0; i < parameters.size(); ++i)
    curve.covariance(i, i) = std::pow(0.01 * parameters[i], 2);
  curve.parameter_names = std::move(names);
  curve.parameters = std::move(parameters);
  curve.degrees_of_freedom = 100;
  curve.speed_high = of_machine ? 180 : 900;
  return curve;
}

std::vector<Sample> samples(std::int64_t count) {
  std::vector<Sample> samples(static_cast<std::size_t>(count));
  double turns = 0;
  std::int64_t edges = 0, edge_tick = 0;
  for (std::int64_t k = 0; k < count; ++k) {
    Sample& sample = samples[static_cast<std::size_t>(k)];
    const double share = std::fabs(2 * static_cast<double>(k) / static_cast<double>(count) - 1);
    const double turns_per_tick = (17 + 133 * share) / 2e6;
    turns += turns_per_tick * 2000;
    const auto now = static_cast<std::int64_t>(4 * turns);
    if (now != edges)
      edge_tick = k * 2000 - static_cast<std::int64_t>((4 * turns - static_cast<double>(now)) / 4 /
                                                       turns_per_tick);
    edges = now;
    sample.tick = k * 2000;
    sample.torque_counts =
        static_cast<std::int32_t>(400'000 - 300'000 * share) + static_cast<std::int32_t>(k % 801);
    sample.motor_edges = edges;
    if (edges > 0) sample.motor_edge_tick = edge_tick;
  }
  return samples;
}

}  // namespace

int main(int argc, char** argv) {
  if (argc < 4) return std::fprintf(stderr, "big_book BOOK RUNS SAMPLES\n"), 2;
  const std::int64_t runs = std::atoll(argv[2]);
  const std::vector<Sample> rows = samples(std::atoll(argv[3]));
  Book book = Book::open(argv[1], Book::Mode::kCreate);
  Run run;
  run.source = RunSource::kRig;
  run.tick_hz = 2e6;
  run.motor_pulses_per_turn = 4;
  run.rig = add_part(book, PartKind::kRig, "bench");
  std::vector<std::int64_t> motors = {add_part(book, PartKind::kMotor, "M")};
  std::vector<std::int64_t> machines = {add_part(book, PartKind::kMachine, "K")};
  for (int i = 1; i <= 100; ++i) {
    motors.push_back(add_part(book, PartKind::kMotor, "motor " + std::to_string(i)));
    machines.push_back(add_part(book, PartKind::kMachine, "machine " + std::to_string(i)));
  }
  for (std::int64_t k = 0; k < runs; ++k) {
    const std::size_t part = k % 1000 == 0 ? 0 : static_cast<std::size_t>(1 + k % 100);
    run.kind = k % 2 == 0 ? RunKind::kBrake : RunKind::kCoastDown;
    run.motor = motors[part];
    run.machine = k % 2 == 0 ? 0 : machines[part];
    Book::Transaction transaction(book);
    const std::int64_t id = book.begin_run(run);
    book.append(id, rows);
    book.end_run(id, RunState::kComplete);
    transaction.commit();
  }
  book.add_curve(curve(false, motors[0], {"Ts", "omega_n"}, {0.4, 950}));
  book.add_curve(curve(true, machines[0], {"c0", "c1", "c2"}, {0.12, 1e-3, 4e-6}));
  return 0;
}
