// Book: runs, their events and zeros.
#include <fmt/format.h>

#include "db/sql/text.h"
#include "db/store/book_state.h"

namespace loadline {
namespace {

// The order of read_run and of bind_run.
constexpr const char* kColumnsOfV1 =
    "id, uuid, kind, state, source, started_utc, note, rig_id, motor_id, machine_id, belt_id, "
    "motor_pulley_id, hand_pulley_id, slip_check_id, inertia_kgm2, inertia_sd_kgm2, "
    "added_inertia_kgm2, supply_v, tick_hz, motor_pulses_per_turn, handwheel_pulses_per_turn, "
    "converter_hz, cell_delay_s, supply_v_per_count, temperature_c_per_count, "
    "temperature_c_offset, firmware, host_clock_span_ns, rig_clock_span_ticks, program_version, "
    "sample_count, content_hash";

std::string run_columns(int layout) {
  return std::string(kColumnsOfV1) +
         (layout < 2 ? ", 0, NULL, NULL, NULL, NULL"
                     : ", steady, tachometer, tachometer_pulses, session, aside");
}

RunState state_from_name(const std::string& name) {
  if (name == "open") return RunState::kOpen;
  return name == "complete" ? RunState::kComplete : RunState::kInterrupted;
}

// The value that a word of run `id` stands for.
template <typename Value>
Value known(sqlite3* db, std::int64_t id, const char* what, const std::string& word,
            std::optional<Value> (*from_name)(const std::string&)) {
  const auto value = from_name(word);
  if (!value)
    throw Damaged(db, fmt::format("run {} has the unknown {} '{}'; run 'loadline-db check'.", id,
                                  what, on_one_line(word)));
  return *value;
}

void read_references(const Statement& row, Run& run) {
  run.rig = row.whole(7);
  run.motor = row.whole(8);
  run.machine = row.whole(9);
  run.belt = row.whole(10);
  run.motor_pulley = row.whole(11);
  run.hand_pulley = row.whole(12);
  run.slip_check = row.whole(13);
}

void read_identity(const Statement& row, Run& run) {
  run.tick_hz = row.optional_real(18);
  run.motor_pulses_per_turn = row.optional_real(19);
  run.handwheel_pulses_per_turn = row.optional_real(20);
  run.converter_hz = row.optional_real(21);
  run.cell_delay_s = row.optional_real(22);
  run.supply_v_per_count = row.optional_real(23);
  run.temperature_c_per_count = row.optional_real(24);
  run.temperature_c_offset = row.optional_real(25);
  run.firmware = row.text(26);
}

// What layout 2 added.
void read_statements(sqlite3* db, const Statement& row, Run& run) {
  run.steady = row.whole(32) != 0;
  if (!row.is_null(33))
    run.tachometer = known(db, run.id, "tachometer", row.text(33), tachometer_from_name);
  run.tachometer_pulses = row.optional_real(34);
  run.session = row.text(35);
  run.aside = row.text(36);
}

Run read_run(sqlite3* db, const Statement& row) {
  Run run;
  run.id = row.whole(0);
  run.uuid = row.text(1);
  run.kind = known(db, run.id, "kind", row.text(2), run_kind_from_name);
  run.state = state_from_name(row.text(3));
  run.source = known(db, run.id, "source", row.text(4), run_source_from_name);
  run.started_utc = row.text(5);
  run.note = row.text(6);
  read_references(row, run);
  run.inertia_kgm2 = row.optional_real(14);
  run.inertia_sd_kgm2 = row.optional_real(15);
  run.added_inertia_kgm2 = row.optional_real(16);
  run.supply_v = row.optional_real(17);
  read_identity(row, run);
  run.host_clock_span_ns = row.whole(27);
  run.rig_clock_span_ticks = row.whole(28);
  run.program_version = row.text(29);
  run.sample_count = row.whole(30);
  run.content_hash = row.text(31);
  read_statements(db, row, run);
  return run;
}

std::string slip_check_fault(const Book& book, std::int64_t id) {
  Statement kind(book.handle(), "SELECT kind FROM run WHERE id = ?");
  kind.with(id);
  if (!kind.step()) return fmt::format("there is no run {} to take as the slip check", id);
  if (kind.text(0) != "slip-check")
    return fmt::format("run {} is a {} run, not a slip check", id, kind.text(0));
  return "";
}

// Parameters 1 … of the columns that update_run may rewrite; returns the next index.
int bind_conditions(Statement& statement, const Run& run) {
  int i = 0;
  statement.bind(++i, run.note);
  for (const std::int64_t reference : {run.rig, run.motor, run.machine, run.belt, run.motor_pulley,
                                       run.hand_pulley, run.slip_check})
    statement.bind_reference(++i, reference);
  for (const auto& number :
       {run.inertia_kgm2, run.inertia_sd_kgm2, run.added_inertia_kgm2, run.supply_v, run.tick_hz,
        run.motor_pulses_per_turn, run.handwheel_pulses_per_turn, run.converter_hz,
        run.cell_delay_s, run.supply_v_per_count, run.temperature_c_per_count,
        run.temperature_c_offset})
    statement.bind(++i, number);
  statement.bind(++i, made_printable(run.firmware));
  statement.bind(++i, run.host_clock_span_ns);
  statement.bind(++i, run.rig_clock_span_ticks);
  statement.bind(++i, run.tachometer ? std::optional<std::string>(tachometer_name(*run.tachometer))
                                     : std::nullopt);
  statement.bind(++i, run.tachometer_pulses);
  for (const std::string& words : {run.session, run.aside})
    statement.bind(++i, words.empty() ? std::nullopt : std::optional(words));
  return i + 1;
}

constexpr const char* kInsertRun =
    "INSERT INTO run (note, rig_id, motor_id, machine_id, belt_id, motor_pulley_id, "
    "hand_pulley_id, slip_check_id, inertia_kgm2, inertia_sd_kgm2, added_inertia_kgm2, supply_v, "
    "tick_hz, motor_pulses_per_turn, handwheel_pulses_per_turn, converter_hz, cell_delay_s, "
    "supply_v_per_count, temperature_c_per_count, temperature_c_offset, firmware, "
    "host_clock_span_ns, rig_clock_span_ticks, tachometer, tachometer_pulses, session, aside, "
    "uuid, kind, state, source, started_utc, program_version, recorder, steady) VALUES (?, ?, ?, "
    "?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, 'open', ?, ?, "
    "?, "
    "?, ?)";

constexpr const char* kUpdateRun =
    "UPDATE run SET note = ?, rig_id = ?, motor_id = ?, machine_id = ?, belt_id = ?, "
    "motor_pulley_id = ?, hand_pulley_id = ?, slip_check_id = ?, inertia_kgm2 = ?, "
    "inertia_sd_kgm2 = ?, added_inertia_kgm2 = ?, supply_v = ?, tick_hz = ?, "
    "motor_pulses_per_turn = ?, handwheel_pulses_per_turn = ?, converter_hz = ?, "
    "cell_delay_s = ?, supply_v_per_count = ?, temperature_c_per_count = ?, "
    "temperature_c_offset = ?, firmware = ?, host_clock_span_ns = ?, rig_clock_span_ticks = ?, "
    "tachometer = ?, tachometer_pulses = ?, session = ?, aside = ?, kind = ?, started_utc = ? "
    "WHERE "
    "id = ?";

void require_reason(const std::string& aside) {
  constexpr std::size_t kLongest = 1000;
  require_note(aside, "the reason to put the run aside");
  if (aside.size() > kLongest)
    throw Error(Fault::kInput, fmt::format("the reason to put the run aside is longer than {} "
                                           "bytes; shorten it and put the rest into --note.",
                                           kLongest));
}

void require_run_words(const Book& book, const Run& run) {
  require_note(run.note, "the note");
  if (!run.session.empty()) require_name(run.session, "the session's label");
  require_reason(run.aside);
  require_note(run.started_utc, "the time of the run's start");
  require_note(run.program_version, "the version of the program that recorded the run");
  if (!run.uuid.empty()) require_uuid(run.uuid, "the run");
  if (run.slip_check == 0) return;
  const std::string fault = slip_check_fault(book, run.slip_check);
  if (!fault.empty())
    throw Error(
        Fault::kInput,
        fault + "; 'loadline-db list runs --kind slip-check' shows the runs to choose from.");
}

// A run that is no slip check after all cannot be leant on.
void detach_slip_check(Book& book, std::int64_t id) {
  std::vector<Run> leaning = book.runs();
  std::erase_if(leaning, [&](const Run& run) { return run.slip_check != id; });
  for (Run& run : leaning) {
    run.slip_check = 0;
    book.update_run(run);
  }
}

// A kind that this program does not know comes as a marker, its word before the sentence.
RunEvent read_run_event(const Statement& row) {
  const auto kind = event_kind_from_name(row.text(2));
  RunEvent event{row.whole(0), row.whole(1), kind.value_or(EventKind::kMarker), row.real(3),
                 row.text(4)};
  if (!kind) event.detail = on_one_line(row.text(2)) + ": " + event.detail;
  return event;
}

// A moment that this program does not know leaves the zero without a place in its run.
Zero read_zero(const Statement& row) {
  return {row.whole(0), row.whole(1),
          row.whole(2), zero_moment_from_name(row.text(3)).value_or(ZeroMoment::kAlone),
          row.whole(4), row.real(5),
          row.real(6),  row.whole(7),
          row.text(8)};
}

constexpr const char* kZeroColumns =
    "id, rig_id, run_id, moment, tick, mean_counts, sd_counts, conversions, made_utc";

}  // namespace

std::string run_words(const Run& run) {
  return fmt::format("run {} ({})", run.id, run_kind_name(run.kind));
}

std::vector<std::int64_t> row_numbers(sqlite3* db, const char* table) {
  Statement select(db, fmt::format("SELECT id FROM {} ORDER BY id", table));
  std::vector<std::int64_t> numbers;
  while (select.step()) numbers.push_back(select.whole(0));
  return numbers;
}

std::int64_t Book::begin_run(const Run& run) {
  require_run_words(*this, run);
  Scope scope(handle(), state_->writers);
  Statement insert(handle(), kInsertRun);
  int i = bind_conditions(insert, run);
  insert.bind(i++, run.uuid.empty() ? new_uuid() : run.uuid);
  insert.bind(i++, run_kind_name(run.kind));
  insert.bind(i++, run_source_name(run.source));
  insert.bind(i++, run.started_utc.empty() ? utc_now() : run.started_utc);
  insert.bind(i++,
              run.program_version.empty() ? std::string(LOADLINE_VERSION) : run.program_version);
  insert.bind(i++, state_->recorder_mark());
  insert.bind(i++, std::int64_t{run.steady});
  insert.run();
  const std::int64_t id = sqlite3_last_insert_rowid(handle());
  RunWriter writer;
  writer.from_rig = run.source == RunSource::kRig;
  writer.steady = run.steady;
  state_->writers[id] = writer;
  scope.commit();
  if (sqlite3_get_autocommit(handle())) {  // else the caller's transaction decides
    state_->fold_due = true;               // after the first rows, which should not wait for it
    if (!state_->real_path.empty()) state_->log = log_identity(state_->real_path);
  }
  return id;
}

void Book::update_run(const Run& run) {
  require_run_words(*this, run);
  Scope scope(handle(), state_->writers);
  const Run before = this->run(run.id);
  Run now = run;
  if (now.started_utc.empty()) now.started_utc = before.started_utc;
  if (before.state != RunState::kOpen) record_changes(*this, before, now);
  Statement update(handle(), kUpdateRun);
  const int kind = bind_conditions(update, run);
  update.bind(kind, run_kind_name(run.kind));
  update.bind(kind + 1, now.started_utc);
  update.bind(kind + 2, run.id);
  update.run();
  if (before.kind == RunKind::kSlipCheck && run.kind != RunKind::kSlipCheck)
    detach_slip_check(*this, run.id);
  scope.commit();
}

Run Book::run(std::int64_t id) const {
  Statement select(handle(),
                   fmt::format("SELECT {} FROM run WHERE id = ?", run_columns(state_->layout)));
  select.with(id);
  if (!select.step())
    throw Error(Fault::kInput, fmt::format("there is no run {} in the book {}; 'loadline-db list "
                                           "runs' shows them.",
                                           id, path()));
  return read_run(handle(), select);
}

std::vector<Run> Book::runs(const RunFilter& filter) const {
  std::string sql = fmt::format("SELECT {} FROM run WHERE ", run_columns(state_->layout));
  sql += filter.with_open ? "true" : "state <> 'open'";
  if (filter.kind) sql += fmt::format(" AND kind = '{}'", run_kind_name(*filter.kind));
  const std::pair<const char*, const std::optional<std::int64_t>&> ids[] = {
      {"motor_id", filter.motor},
      {"machine_id", filter.machine},
      {"belt_id", filter.belt},
      {"rig_id", filter.rig}};
  for (const auto& [column, id] : ids)
    if (id) sql += fmt::format(" AND {} = {}", column, *id);
  Statement select(handle(), sql + " ORDER BY id");
  std::vector<Run> runs;
  while (select.step()) runs.push_back(read_run(handle(), select));
  return runs;
}

void Book::add_event(const RunEvent& event) {
  Statement insert(handle(),
                   "INSERT INTO event (run_id, tick, kind, length_s, detail) "
                   "VALUES (?, ?, ?, ?, ?)");
  insert
      .with(event.run, event.tick, event_kind_name(event.kind), event.length_s,
            made_printable(event.detail))
      .run();
}

std::vector<RunEvent> Book::events(std::int64_t run) const {
  Statement select(handle(),
                   "SELECT run_id, tick, kind, length_s, detail FROM event "
                   "WHERE run_id = ? ORDER BY tick, id");
  select.with(run);
  std::vector<RunEvent> events;
  while (select.step()) events.push_back(read_run_event(select));
  return events;
}

void Book::add_zero(const Zero& zero) {
  require_note(zero.made_utc, "the time of the zero");
  Statement insert(handle(),
                   "INSERT INTO zero (moment, tick, mean_counts, sd_counts, conversions, "
                   "made_utc, rig_id, run_id) VALUES (?, ?, ?, ?, ?, ?, ?, ?)");
  insert.with(zero_moment_name(zero.when), zero.tick, zero.mean_counts, zero.sd_counts,
              zero.conversions, zero.made_utc.empty() ? utc_now() : zero.made_utc);
  insert.bind_reference(7, zero.rig);
  insert.bind_reference(8, zero.run);
  insert.run();
}

std::vector<Zero> Book::zeros(std::int64_t run) const {
  Statement select(handle(), fmt::format("SELECT {} FROM zero WHERE run_id = ? ORDER BY tick, id",
                                         kZeroColumns));
  select.with(run);
  std::vector<Zero> zeros;
  while (select.step()) zeros.push_back(read_zero(select));
  return zeros;
}

std::optional<Zero> Book::latest_zero(std::int64_t rig) const {
  Statement select(handle(), fmt::format("SELECT {} FROM zero WHERE rig_id IS ? AND moment = "
                                         "'alone' ORDER BY made_utc DESC, id DESC LIMIT 1",
                                         kZeroColumns));
  select.bind_reference(1, rig);
  if (!select.step()) return std::nullopt;
  return read_zero(select);
}

}  // namespace loadline
