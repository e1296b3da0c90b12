// Schema version 2: steady tables, runs put aside and mended, parts joined, events of a part.
//
// Standard uncertainties of typed or averaged readings stand beside `imported` instead of in it:
// only steady runs have them, and a column more would lengthen each of the millions of rows that
// have none. A row of `imported_sd` has the number of its row in `imported`.
//
// What is said of an ended run may be put right; nothing is lost by it: `run_change` keeps what
// stood there before, and the kind of a run and its being put aside cannot be changed by any
// program without an entry there.
#include "db/schema/schema.h"
#include "db/sql/statement.h"

namespace loadline {
namespace {

constexpr const char* kColumns = R"sql(
ALTER TABLE run ADD COLUMN steady INTEGER NOT NULL DEFAULT 0 CHECK (steady IN (0, 1));
ALTER TABLE run ADD COLUMN tachometer TEXT CHECK (length(tachometer) BETWEEN 1 AND 50);
ALTER TABLE run ADD COLUMN tachometer_pulses REAL CHECK (tachometer_pulses BETWEEN 1e-3 AND 1e6);
ALTER TABLE run ADD COLUMN session TEXT CHECK (length(CAST(session AS BLOB)) BETWEEN 1 AND 200);
ALTER TABLE run ADD COLUMN aside TEXT CHECK (length(aside) BETWEEN 1 AND 1000);
)sql";

constexpr const char* kTables = R"sql(
CREATE TABLE imported_sd (
  id INTEGER PRIMARY KEY CHECK (id > 0),
  motor_rpm_sd REAL CHECK (motor_rpm_sd >= 0),
  handwheel_rpm_sd REAL CHECK (handwheel_rpm_sd >= 0),
  torque_nm_sd REAL CHECK (torque_nm_sd >= 0),
  supply_v_sd REAL CHECK (supply_v_sd >= 0)
) STRICT;

CREATE TABLE run_change (
  id INTEGER PRIMARY KEY,
  run_id INTEGER NOT NULL REFERENCES run,
  field TEXT NOT NULL CHECK (length(field) BETWEEN 1 AND 50),
  before TEXT NOT NULL,
  after TEXT NOT NULL,
  made_utc TEXT NOT NULL,
  made_by TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX run_change_by_run ON run_change (run_id);

CREATE TABLE joined (
  uuid TEXT PRIMARY KEY CHECK (length(uuid) = 36),
  kind TEXT NOT NULL CHECK (kind IN ('rig', 'motor', 'machine', 'pulley', 'belt')),
  name TEXT NOT NULL CHECK (length(CAST(name AS BLOB)) BETWEEN 1 AND 200),
  into_id INTEGER NOT NULL CHECK (into_id > 0),
  was_json TEXT NOT NULL CHECK (length(was_json) > 0),
  made_utc TEXT NOT NULL
) STRICT;

CREATE TABLE subject_event (
  id INTEGER PRIMARY KEY,
  uuid TEXT NOT NULL UNIQUE CHECK (length(uuid) = 36),
  motor_id INTEGER REFERENCES motor,
  machine_id INTEGER REFERENCES machine,
  belt_id INTEGER REFERENCES belt,
  on_date TEXT NOT NULL CHECK (on_date GLOB '[0-9][0-9][0-9][0-9]-[0-1][0-9]-[0-3][0-9]'),
  what TEXT NOT NULL CHECK (length(what) BETWEEN 1 AND 1000),
  made_utc TEXT NOT NULL,
  CHECK ((motor_id IS NOT NULL) + (machine_id IS NOT NULL) + (belt_id IS NOT NULL) = 1)
) STRICT;
)sql";

constexpr const char* kPartChangesStay = R"sql(
CREATE TRIGGER run_stays_ended
BEFORE UPDATE OF id, uuid, state, source, steady, sample_count, content_hash ON run
WHEN OLD.state <> 'open'
BEGIN SELECT raise(ABORT, 'a run that has ended is never altered'); END;
CREATE TRIGGER run_kind_is_changed_on_record BEFORE UPDATE OF kind ON run
WHEN OLD.state <> 'open' AND NEW.kind <> OLD.kind AND
  (SELECT after FROM run_change WHERE run_id = OLD.id AND field = 'kind'
     ORDER BY id DESC LIMIT 1) IS NOT NEW.kind
BEGIN SELECT raise(ABORT, 'the kind of a run changes only with an entry in run_change'); END;
CREATE TRIGGER run_is_put_aside_on_record BEFORE UPDATE OF aside ON run
WHEN OLD.state <> 'open' AND NEW.aside IS NOT OLD.aside AND
  (SELECT after FROM run_change WHERE run_id = OLD.id AND field = 'aside'
     ORDER BY id DESC LIMIT 1) IS NOT coalesce(NEW.aside, '')
BEGIN SELECT raise(ABORT, 'a run is put aside only with an entry in run_change'); END;
CREATE TRIGGER imported_sd_is_never_altered BEFORE UPDATE ON imported_sd
BEGIN SELECT raise(ABORT, 'imported readings are never altered after they are written'); END;
CREATE TRIGGER imported_sd_is_never_deleted BEFORE DELETE ON imported_sd
BEGIN SELECT raise(ABORT, 'imported readings are never deleted'); END;
CREATE TRIGGER run_change_is_never_altered BEFORE UPDATE ON run_change
BEGIN SELECT raise(ABORT, 'the record of changes is never altered'); END;
CREATE TRIGGER run_change_is_never_deleted BEFORE DELETE ON run_change
BEGIN SELECT raise(ABORT, 'the record of changes is never deleted'); END;
)sql";

}  // namespace

std::string programs_of_v2() { return kPartChangesStay; }

void upgrade_to_v2(sqlite3* db) {
  execute(db, kColumns);
  execute(db, kTables);
  execute(db, "DROP TRIGGER run_stays_ended");
  execute(db, kPartChangesStay);
}

}  // namespace loadline
