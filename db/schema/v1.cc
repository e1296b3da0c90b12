// Schema version 1, the first that was shipped.
//
// A sample's row number holds its run and its tick (run << 42 | tick): rows lie in recording order,
// a stretch of a run is a range of row numbers, and neither run nor tick takes a byte of its own.
// 42 bits are 50 days of a 1 MHz clock. The ticks of the last edges are stored as their age at the
// conversion, because small numbers take fewer bytes; an age can be a little below zero, since the
// rig takes the latest edge when it makes the sample, shortly after the conversion. A run has at
// most 2^42 ticks or readings, a book 2^21 runs.
//
// The two tables with a row per measurement have no foreign key and few CHECKs: each costs up to a
// tenth of the recording speed. Rows enter them only through Book::append, which knows the run;
// runs are never deleted; `check` looks for rows without a run and for values out of range.
#include "db/schema/schema.h"
#include "db/sql/statement.h"

namespace loadline {
namespace {

constexpr const char* kBook = R"sql(
CREATE TABLE book (
  id INTEGER PRIMARY KEY CHECK (id = 1),
  uuid TEXT NOT NULL CHECK (length(uuid) = 36),
  made_utc TEXT NOT NULL,
  program_version TEXT NOT NULL
) STRICT;

CREATE TABLE document (
  name TEXT PRIMARY KEY CHECK (length(name) BETWEEN 1 AND 200),
  json TEXT NOT NULL CHECK (length(json) > 0),
  changed_utc TEXT NOT NULL
) STRICT, WITHOUT ROWID;
)sql";

// The columns for the fields of each kind follow from part_fields().
constexpr const char* kParts = R"sql(
CREATE TABLE rig (
  id INTEGER PRIMARY KEY CHECK (id > 0),
  uuid TEXT NOT NULL UNIQUE CHECK (length(uuid) = 36),
  name TEXT NOT NULL UNIQUE CHECK (length(CAST(name AS BLOB)) BETWEEN 1 AND 200),
  note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE motor (
  id INTEGER PRIMARY KEY CHECK (id > 0),
  uuid TEXT NOT NULL UNIQUE CHECK (length(uuid) = 36),
  name TEXT NOT NULL UNIQUE CHECK (length(CAST(name AS BLOB)) BETWEEN 1 AND 200),
  note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE machine (
  id INTEGER PRIMARY KEY CHECK (id > 0),
  uuid TEXT NOT NULL UNIQUE CHECK (length(uuid) = 36),
  name TEXT NOT NULL UNIQUE CHECK (length(CAST(name AS BLOB)) BETWEEN 1 AND 200),
  note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE pulley (
  id INTEGER PRIMARY KEY CHECK (id > 0),
  uuid TEXT NOT NULL UNIQUE CHECK (length(uuid) = 36),
  name TEXT NOT NULL UNIQUE CHECK (length(CAST(name AS BLOB)) BETWEEN 1 AND 200),
  note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE belt (
  id INTEGER PRIMARY KEY CHECK (id > 0),
  uuid TEXT NOT NULL UNIQUE CHECK (length(uuid) = 36),
  name TEXT NOT NULL UNIQUE CHECK (length(CAST(name AS BLOB)) BETWEEN 1 AND 200),
  note TEXT NOT NULL DEFAULT ''
) STRICT;
)sql";

constexpr const char* kRuns = R"sql(
CREATE TABLE run (
  id INTEGER PRIMARY KEY CHECK (id BETWEEN 1 AND 2097151),
  uuid TEXT NOT NULL UNIQUE CHECK (length(uuid) = 36),
  kind TEXT NOT NULL CHECK (kind IN ('no-load', 'brake', 'spin-up', 'coast-down', 'driven',
                                     'slip-check', 'top-speed')),
  state TEXT NOT NULL CHECK (state IN ('open', 'complete', 'interrupted')),
  source TEXT NOT NULL CHECK (source IN ('rig', 'csv')),
  started_utc TEXT NOT NULL,
  note TEXT NOT NULL DEFAULT '',
  rig_id INTEGER REFERENCES rig,
  motor_id INTEGER REFERENCES motor,
  machine_id INTEGER REFERENCES machine,
  belt_id INTEGER REFERENCES belt,
  motor_pulley_id INTEGER REFERENCES pulley,
  hand_pulley_id INTEGER REFERENCES pulley,
  slip_check_id INTEGER REFERENCES run,
  inertia_kgm2 REAL CHECK (inertia_kgm2 BETWEEN 0 AND 1000),
  inertia_sd_kgm2 REAL CHECK (inertia_sd_kgm2 BETWEEN 0 AND 1000),
  added_inertia_kgm2 REAL CHECK (added_inertia_kgm2 BETWEEN 0 AND 1000),
  supply_v REAL CHECK (supply_v BETWEEN 0 AND 10000),
  tick_hz REAL CHECK (tick_hz BETWEEN 1e-3 AND 1e12),
  motor_pulses_per_turn REAL CHECK (motor_pulses_per_turn BETWEEN 1e-3 AND 1e6),
  handwheel_pulses_per_turn REAL CHECK (handwheel_pulses_per_turn BETWEEN 1e-3 AND 1e6),
  converter_hz REAL CHECK (converter_hz BETWEEN 1e-3 AND 1e9),
  cell_delay_s REAL CHECK (cell_delay_s BETWEEN 0 AND 1000),
  supply_v_per_count REAL,
  temperature_c_per_count REAL,
  temperature_c_offset REAL,
  firmware TEXT NOT NULL DEFAULT '',
  host_clock_span_ns INTEGER NOT NULL DEFAULT 0,
  rig_clock_span_ticks INTEGER NOT NULL DEFAULT 0,
  program_version TEXT NOT NULL,
  sample_count INTEGER NOT NULL DEFAULT 0 CHECK (sample_count >= 0),
  content_hash TEXT NOT NULL DEFAULT '' CHECK (length(content_hash) IN (0, 64)),
  recorder TEXT,
  CHECK ((state = 'open') = (content_hash = ''))
) STRICT;
CREATE INDEX run_by_motor ON run (motor_id) WHERE motor_id IS NOT NULL;
CREATE INDEX run_by_machine ON run (machine_id) WHERE machine_id IS NOT NULL;
CREATE INDEX run_open ON run (id) WHERE state = 'open';

CREATE TABLE sample (
  id INTEGER PRIMARY KEY CHECK (id > 0),
  torque_counts INTEGER,
  motor_edges INTEGER CHECK (motor_edges >= 0),
  motor_edge_age_ticks INTEGER CHECK (motor_edge_age_ticks > -4294967296),
  handwheel_edges INTEGER CHECK (handwheel_edges >= 0),
  handwheel_edge_age_ticks INTEGER CHECK (handwheel_edge_age_ticks > -4294967296),
  supply_counts INTEGER,
  temperature_counts INTEGER,
  run_id INTEGER GENERATED ALWAYS AS (id >> 42) VIRTUAL,
  tick INTEGER GENERATED ALWAYS AS (id & 4398046511103) VIRTUAL
) STRICT;

CREATE TABLE imported (
  id INTEGER PRIMARY KEY CHECK (id > 0),
  time_s REAL NOT NULL,
  motor_rpm REAL,
  handwheel_rpm REAL,
  torque_nm REAL,
  supply_v REAL,
  temperature_c REAL,
  run_id INTEGER GENERATED ALWAYS AS (id >> 42) VIRTUAL,
  n INTEGER GENERATED ALWAYS AS (id & 4398046511103) VIRTUAL
) STRICT;

CREATE TABLE event (
  id INTEGER PRIMARY KEY,
  run_id INTEGER NOT NULL REFERENCES run,
  tick INTEGER NOT NULL,
  kind TEXT NOT NULL CHECK (length(kind) BETWEEN 1 AND 50),
  length_s REAL NOT NULL DEFAULT 0 CHECK (length_s >= 0),
  detail TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX event_by_run ON event (run_id);

CREATE TABLE zero (
  id INTEGER PRIMARY KEY,
  rig_id INTEGER REFERENCES rig,
  run_id INTEGER REFERENCES run,
  moment TEXT NOT NULL CHECK (moment IN ('before', 'after', 'alone')),
  tick INTEGER NOT NULL DEFAULT 0,
  mean_counts REAL NOT NULL,
  sd_counts REAL NOT NULL CHECK (sd_counts >= 0),
  conversions INTEGER NOT NULL CHECK (conversions > 0),
  made_utc TEXT NOT NULL
) STRICT;
CREATE INDEX zero_by_run ON zero (run_id);
CREATE INDEX zero_by_rig ON zero (rig_id);
)sql";

constexpr const char* kCurves = R"sql(
CREATE TABLE calibration (
  id INTEGER PRIMARY KEY,
  uuid TEXT NOT NULL UNIQUE CHECK (length(uuid) = 36),
  rig_id INTEGER NOT NULL REFERENCES rig,
  slope_n_per_count REAL NOT NULL,
  slope_sd_n_per_count REAL NOT NULL CHECK (slope_sd_n_per_count >= 0),
  curvature_n_per_count2 REAL NOT NULL DEFAULT 0,
  curvature_sd_n_per_count2 REAL NOT NULL DEFAULT 0 CHECK (curvature_sd_n_per_count2 >= 0),
  slope_curvature_correlation REAL NOT NULL DEFAULT 0
    CHECK (slope_curvature_correlation BETWEEN -1 AND 1),
  zero_counts REAL NOT NULL,
  arm_m REAL NOT NULL CHECK (arm_m BETWEEN 0.001 AND 2),
  arm_sd_m REAL NOT NULL CHECK (arm_sd_m >= 0),
  residual_sd_n REAL NOT NULL CHECK (residual_sd_n >= 0),
  degrees_of_freedom REAL NOT NULL CHECK (degrees_of_freedom >= 0),
  local_g_m_per_s2 REAL NOT NULL CHECK (local_g_m_per_s2 BETWEEN 9.7 AND 9.9),
  points_json TEXT NOT NULL DEFAULT '[]' CHECK (length(points_json) > 0),
  reason TEXT NOT NULL DEFAULT '',
  made_utc TEXT NOT NULL
) STRICT;
CREATE INDEX calibration_by_rig ON calibration (rig_id);

CREATE TABLE curve (
  id INTEGER PRIMARY KEY,
  uuid TEXT NOT NULL UNIQUE CHECK (length(uuid) = 36),
  motor_id INTEGER REFERENCES motor,
  machine_id INTEGER REFERENCES machine,
  model TEXT NOT NULL CHECK (length(model) BETWEEN 1 AND 50),
  parameter_names TEXT NOT NULL CHECK (length(parameter_names) > 0),
  parameters TEXT NOT NULL CHECK (length(parameters) > 0),
  covariance TEXT NOT NULL CHECK (length(covariance) > 0),
  degrees_of_freedom REAL,
  speed_low_rad_per_s REAL NOT NULL,
  speed_high_rad_per_s REAL NOT NULL CHECK (speed_high_rad_per_s >= speed_low_rad_per_s),
  supply_v REAL,
  residual_rms_nm REAL,
  details_json TEXT NOT NULL DEFAULT '{}' CHECK (length(details_json) > 0),
  program_version TEXT NOT NULL,
  made_utc TEXT NOT NULL,
  CHECK ((motor_id IS NULL) <> (machine_id IS NULL))
) STRICT;
CREATE INDEX curve_by_motor ON curve (motor_id) WHERE motor_id IS NOT NULL;
CREATE INDEX curve_by_machine ON curve (machine_id) WHERE machine_id IS NOT NULL;

CREATE TABLE curve_run (
  curve_id INTEGER NOT NULL REFERENCES curve,
  run_id INTEGER NOT NULL REFERENCES run,
  PRIMARY KEY (curve_id, run_id)
) STRICT, WITHOUT ROWID;
)sql";

// Measured is measured: no program, ours or another, alters it by accident.
constexpr const char* kMeasuredStays = R"sql(
CREATE TRIGGER sample_is_never_altered BEFORE UPDATE ON sample
BEGIN SELECT raise(ABORT, 'samples are never altered after they are written'); END;
CREATE TRIGGER sample_is_never_deleted BEFORE DELETE ON sample
BEGIN SELECT raise(ABORT, 'samples are never deleted'); END;
CREATE TRIGGER imported_is_never_altered BEFORE UPDATE ON imported
BEGIN SELECT raise(ABORT, 'imported readings are never altered after they are written'); END;
CREATE TRIGGER imported_is_never_deleted BEFORE DELETE ON imported
BEGIN SELECT raise(ABORT, 'imported readings are never deleted'); END;
CREATE TRIGGER run_is_never_deleted BEFORE DELETE ON run
BEGIN SELECT raise(ABORT, 'runs are never deleted'); END;
CREATE TRIGGER run_stays_ended
BEFORE UPDATE OF id, uuid, kind, state, source, sample_count, content_hash ON run
WHEN OLD.state <> 'open'
BEGIN SELECT raise(ABORT, 'a run that has ended is never altered'); END;
)sql";

// Readings for any SQLite client: SELECT * FROM reading WHERE run_id = 7 ORDER BY time_s.
//
// Speed is a reciprocal count: edges between the last edge of this sample and the last edge of the
// sample before, over the time between these two edges. It is NULL in the first sample and where no
// edge came since the sample before (the speed is then only known to be low). Torque goes through
// the newest calibration of the run's rig, with the zero interpolated between those before and
// after the run. The lag of the load cell, the pattern of the tachometer's disc and inertia are
// left to the fits: these views are for looking.
constexpr const char* kViews = R"sql(
CREATE VIEW torque_scale AS
SELECT run.id AS run_id, c.slope_n_per_count, c.curvature_n_per_count2, c.arm_m,
  coalesce(
    avg(z.mean_counts) FILTER (WHERE z.moment = 'before'),
    avg(z.mean_counts) FILTER (WHERE z.moment = 'after'),
    (SELECT a.mean_counts FROM zero a WHERE a.rig_id = run.rig_id AND a.moment = 'alone'
       ORDER BY a.made_utc DESC, a.id DESC LIMIT 1),
    c.zero_counts) AS zero_counts,
  coalesce(
    (avg(z.mean_counts) FILTER (WHERE z.moment = 'after')
     - avg(z.mean_counts) FILTER (WHERE z.moment = 'before'))
    / nullif(avg(z.tick) FILTER (WHERE z.moment = 'after')
     - avg(z.tick) FILTER (WHERE z.moment = 'before'), 0),
    0.0) AS zero_counts_per_tick,
  coalesce(avg(z.tick) FILTER (WHERE z.moment = 'before'), 0.0) AS zero_tick
FROM run LEFT JOIN calibration c ON c.id =
  (SELECT k.id FROM calibration k WHERE k.rig_id = run.rig_id
     ORDER BY k.made_utc DESC, k.id DESC LIMIT 1)
LEFT JOIN zero z ON z.run_id = run.id
GROUP BY run.id;

CREATE VIEW sample_step AS
SELECT run.id AS run_id, sample.id & 4398046511103 AS tick, run.tick_hz,
  run.motor_pulses_per_turn, run.handwheel_pulses_per_turn,
  run.supply_v_per_count, run.temperature_c_per_count, run.temperature_c_offset,
  torque_counts, supply_counts, temperature_counts,
  motor_edges - lag(motor_edges) OVER in_order AS motor_edges_since,
  ((sample.id & 4398046511103) - motor_edge_age_ticks)
    - lag((sample.id & 4398046511103) - motor_edge_age_ticks) OVER in_order AS motor_ticks_since,
  handwheel_edges - lag(handwheel_edges) OVER in_order AS handwheel_edges_since,
  ((sample.id & 4398046511103) - handwheel_edge_age_ticks)
    - lag((sample.id & 4398046511103) - handwheel_edge_age_ticks) OVER in_order
    AS handwheel_ticks_since
FROM run CROSS JOIN sample
  ON sample.id BETWEEN run.id << 42 AND (run.id << 42) + 4398046511103
WINDOW in_order AS (PARTITION BY run.id ORDER BY sample.id);

CREATE VIEW reading AS
SELECT s.run_id, s.tick / s.tick_hz AS time_s,
  iif(s.motor_edges_since > 0 AND s.motor_ticks_since > 0,
      60.0 * s.motor_edges_since * s.tick_hz / (s.motor_ticks_since * s.motor_pulses_per_turn),
      NULL) AS motor_rpm,
  iif(s.handwheel_edges_since > 0 AND s.handwheel_ticks_since > 0,
      60.0 * s.handwheel_edges_since * s.tick_hz
        / (s.handwheel_ticks_since * s.handwheel_pulses_per_turn),
      NULL) AS handwheel_rpm,
  t.arm_m * (t.slope_n_per_count
      * (s.torque_counts - t.zero_counts - t.zero_counts_per_tick * (s.tick - t.zero_tick))
    + t.curvature_n_per_count2
      * (s.torque_counts - t.zero_counts - t.zero_counts_per_tick * (s.tick - t.zero_tick))
      * (s.torque_counts - t.zero_counts - t.zero_counts_per_tick * (s.tick - t.zero_tick)))
    AS torque_nm,
  s.supply_counts * s.supply_v_per_count AS supply_v,
  s.temperature_counts * s.temperature_c_per_count + coalesce(s.temperature_c_offset, 0.0)
    AS temperature_c
FROM sample_step s CROSS JOIN torque_scale t ON t.run_id = s.run_id
UNION ALL
SELECT run.id, i.time_s, i.motor_rpm, i.handwheel_rpm, i.torque_nm, i.supply_v, i.temperature_c
FROM run CROSS JOIN imported i ON i.id BETWEEN run.id << 42 AND (run.id << 42) + 4398046511103;
)sql";

}  // namespace

std::string programs_of_v1() { return std::string(kMeasuredStays) + kViews; }

void upgrade_to_v1(sqlite3* db) {
  for (const char* part : {kBook, kParts, kRuns, kCurves, kMeasuredStays, kViews})
    execute(db, part);
  add_missing_field_columns(db);
}

}  // namespace loadline
