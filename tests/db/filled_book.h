// Small books with something of everything in them, for tests of merge, backup and check.
#pragma once

#include <string>

#include "db/book.h"
#include "db/care/join.h"

namespace loadline::testing {

inline Part part(PartKind kind, const std::string& name) {
  Part out;
  out.kind = kind;
  out.name = name;
  return out;
}

/// `count` samples, one every 1000 ticks from `first`, an edge every 700.
inline std::vector<Sample> samples(int count, int first = 1) {
  std::vector<Sample> out;
  for (int i = first; i < first + count; ++i) {
    Sample sample;
    sample.tick = i * 1000;
    sample.torque_counts = 100 + i % 50;
    sample.motor_edges = sample.tick / 700;
    sample.motor_edge_tick = sample.tick / 700 * 700;
    out.push_back(sample);
  }
  return out;
}

inline std::vector<ImportedReading> readings(int count) {
  std::vector<ImportedReading> out(static_cast<std::size_t>(count));
  for (int i = 0; i < count; ++i) {
    out[static_cast<std::size_t>(i)].time_s = i * 0.1;
    out[static_cast<std::size_t>(i)].motor_rpm = 5000 + i;
  }
  return out;
}

struct Filled {
  std::int64_t rig, motor, machine, slip_check, brake, imported, curve;
};

/// A rig with calibration and zeros, a motor, a machine, a slip check, a brake run that leans on
/// it, an imported run and a curve from the brake run.
inline Filled fill(Book& book, const std::string& motor = "Heron 90") {
  Filled ids{};
  ids.rig = book.add(part(PartKind::kRig, "Bench"));
  ids.motor = book.add(part(PartKind::kMotor, motor));
  ids.machine = book.add(part(PartKind::kMachine, "Attic treadle"));
  Calibration calibration;
  calibration.rig = ids.rig;
  calibration.slope_n_per_count = 0.001;
  calibration.arm_m = 0.1;
  book.add_calibration(calibration);
  book.add_zero({0, ids.rig, 0, ZeroMoment::kAlone, 0, 12, 1, 40, "2026-01-01T10:00:00Z"});
  Run run;
  run.rig = ids.rig;
  run.motor = ids.motor;
  run.tick_hz = 1e6;
  run.motor_pulses_per_turn = 1;
  run.kind = RunKind::kSlipCheck;
  ids.slip_check = book.begin_run(run);
  book.append(ids.slip_check, samples(50));
  book.end_run(ids.slip_check, RunState::kComplete);
  run.kind = RunKind::kBrake;
  run.slip_check = ids.slip_check;
  ids.brake = book.begin_run(run);
  book.append(ids.brake, samples(300));
  book.add_event({ids.brake, 5000, EventKind::kGap, 0.01, "ten frames missing"});
  book.add_zero({0, ids.rig, ids.brake, ZeroMoment::kBefore, 0, 10, 1, 40, ""});
  book.end_run(ids.brake, RunState::kInterrupted);
  Run imported;
  imported.source = RunSource::kFile;
  imported.kind = RunKind::kCoastDown;
  imported.machine = ids.machine;
  ids.imported = book.begin_run(imported);
  book.append(ids.imported, readings(120));
  book.end_run(ids.imported, RunState::kComplete);
  StoredCurve curve;
  curve.subject = ids.motor;
  curve.model = "permanent-magnet";
  curve.parameter_names = {"stall", "omega_n"};
  curve.parameters = {0.2, 900};
  curve.covariance = Covariance(2);
  curve.covariance.rows = {1, 0, 0, 1};
  curve.speed_high = 800;
  curve.runs = {ids.brake};
  ids.curve = book.add_curve(curve);
  return ids;
}

/// What layout 2 brought: a steady run that was mended and put aside, a labelled session, a joined
/// motor, an event.
inline void add_what_v2_has(Book& book, const Filled& ids) {
  Run labelled = book.run(ids.imported);
  labelled.session = "first frost";
  labelled.tachometer = Tachometer::kGate;
  labelled.tachometer_pulses = 20;
  book.update_run(labelled);
  Run steady;
  steady.source = RunSource::kFile;
  steady.steady = true;
  steady.kind = RunKind::kDriven;
  steady.machine = ids.machine;
  steady.id = book.begin_run(steady);
  std::vector<ImportedReading> points(3);
  for (int i = 0; i < 3; ++i) {
    points[static_cast<std::size_t>(i)].time_s = i + 1;
    points[static_cast<std::size_t>(i)].handwheel_rpm = 1000 + 4 * i;
  }
  points[1].handwheel_rpm_sd = 2.5;
  book.append(steady.id, points);
  book.end_run(steady.id, RunState::kComplete);
  Run mended = book.run(steady.id);
  mended.kind = RunKind::kTopSpeed;
  mended.aside = "the belt came off";
  book.update_run(mended);
  book.add_part_event({"", PartKind::kMachine, ids.machine, "2026-03-01", "oiled", ""});
  book.add(part(PartKind::kMotor, "heron 90"));
  join_parts(book, PartKind::kMotor, "heron 90", "Heron 90");
}

}  // namespace loadline::testing
