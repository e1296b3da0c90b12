#include "belt_bench.h"

#include <algorithm>
#include <cmath>

namespace loadline::bench {
namespace {

Part named(PartKind kind, const std::string& name) {
  Part part;
  part.kind = kind;
  part.name = name;
  return part;
}

std::int64_t part_id(Book& book, PartKind kind, const std::string& name) {
  const auto found = book.find(kind, name);
  return found ? found->id : book.add(named(kind, name));
}

// First-order autoregression of unit standard deviation.
class Noise {
 public:
  Noise(double correlation, std::mt19937_64& engine) : phi_(correlation), engine_(engine) {
    value_ = normal_(engine_);
  }
  double next() {
    value_ = phi_ * value_ + std::sqrt(1 - phi_ * phi_) * normal_(engine_);
    return value_;
  }

 private:
  double phi_, value_ = 0;
  std::mt19937_64& engine_;
  std::normal_distribution<double> normal_;
};

}  // namespace

std::vector<ImportedReading> top_speed_rows(const SessionTruth& truth, double speed_rpm,
                                            double supply_v, std::mt19937_64& engine) {
  std::vector<ImportedReading> rows;
  Noise noise(truth.noise_correlation, engine), supply(0.95, engine);
  const double phase = std::uniform_real_distribution<double>(0, 6.283)(engine);
  double turns = 0;
  const double step = 1 / truth.rate_hz;
  for (double t = 0; t < truth.run_s; t += step) {
    const double mean = speed_rpm * (1 - std::exp(-t / truth.run_up_s));
    turns += mean / 60 * step;
    ImportedReading row;
    row.time_s = t;
    row.handwheel_rpm = mean * (1 + truth.ripple * std::sin(12.566 * turns + phase) +
                                truth.noise_sd * noise.next());
    if (truth.motor_channel)
      row.motor_rpm = mean * truth.ratio * (1 + 0.5 * truth.noise_sd * noise.next());
    if (truth.supply_channel) row.supply_v = supply_v * (1 + 0.001 * supply.next());
    rows.push_back(row);
  }
  return rows;
}

std::vector<ImportedReading> slip_rows(const SessionTruth& truth, double creep_rpm,
                                       std::mt19937_64& engine) {
  std::vector<ImportedReading> rows;
  Noise noise(truth.noise_correlation, engine);
  for (double t = 0; t < 2; t += 0.02) {
    ImportedReading row;
    row.time_s = t;
    row.motor_rpm = creep_rpm * (1 - std::exp(-t / 0.15)) * (1 + 0.03 * noise.next());
    row.handwheel_rpm = 0;
    rows.push_back(row);
  }
  return rows;
}

std::int64_t store(Book& book, Run run, const std::vector<ImportedReading>& rows) {
  run.source = RunSource::kFile;
  const std::int64_t id = book.begin_run(run);
  book.append(id, std::span<const ImportedReading>(rows));
  book.end_run(id, RunState::kComplete);
  return id;
}

void play_session(Book& book, const SessionTruth& truth, std::uint64_t seed) {
  std::mt19937_64 engine(seed);
  std::normal_distribution<double> normal, setting;
  Book::Transaction transaction(book);
  Run mounted;
  mounted.machine = part_id(book, PartKind::kMachine, "attic");
  mounted.motor = part_id(book, PartKind::kMotor, "drum");
  struct Trial {
    std::size_t belt, pulley;
  };
  std::vector<Trial> trials;
  // Randomised blocks: within each repeat on each pulley all belts once, in random order.
  for (int r = 0; r < truth.repeats; ++r)
    for (std::size_t p = 0; p < truth.pulleys.size(); ++p) {
      std::vector<Trial> block;
      for (std::size_t b = 0; b < truth.belts.size(); ++b) block.push_back({b, p});
      std::shuffle(block.begin(), block.end(), engine);
      trials.insert(trials.end(), block.begin(), block.end());
    }
  if (!truth.mixed_order)
    std::stable_sort(trials.begin(), trials.end(),
                     [](const Trial& a, const Trial& b) { return a.belt < b.belt; });
  for (std::size_t i = 0; i < trials.size(); ++i) {
    const double along = static_cast<double>(i) / static_cast<double>(trials.size() - 1) - 0.5;
    const double supply = 230 * std::exp(truth.supply_sd * normal(engine));
    double set = truth.creep_sd * setting(engine);
    if (static_cast<int>(i) < truth.wrong_settings) set = i % 2 == 0 ? std::log(6) : std::log(0.4);
    const double speed =
        truth.top_rpm * truth.belts[trials[i].belt].factor *
        truth.pulleys[trials[i].pulley].second * std::pow(supply / 230, truth.supply_effect) *
        std::exp(truth.drift * along + truth.repeat_sd * normal(engine) + truth.creep_effect * set);
    Run run = mounted;
    run.belt = part_id(book, PartKind::kBelt, truth.belts[trials[i].belt].name);
    run.motor_pulley = part_id(book, PartKind::kPulley, truth.pulleys[trials[i].pulley].first);
    run.kind = RunKind::kSlipCheck;
    const double creep = truth.creep_rpm * std::exp(set);
    run.slip_check = store(book, run, slip_rows(truth, creep, engine));
    run.kind = RunKind::kTopSpeed;
    if (!truth.supply_channel) run.supply_v = supply;
    store(book, run, top_speed_rows(truth, speed, supply, engine));
  }
  transaction.commit();
}

}  // namespace loadline::bench
