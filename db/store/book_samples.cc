// Book: samples and imported readings, in and out, and the end of a run.
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>

#include "db/store/book_state.h"
#include "db/store/sample_stretches.h"

namespace loadline {
namespace {

// Rows per INSERT: one row per statement costs a third of the speed, more than this gains nothing.
constexpr std::size_t kRowsPerInsert = 32;
constexpr std::array<const char*, 7> kSampleChannels = {"torque_counts",
                                                        "motor_edges",
                                                        "motor_edge_age_ticks",
                                                        "handwheel_edges",
                                                        "handwheel_edge_age_ticks",
                                                        "supply_counts",
                                                        "temperature_counts"};
constexpr std::array<const char*, 6> kReadingChannels = {"time_s",    "motor_rpm", "handwheel_rpm",
                                                         "torque_nm", "supply_v",  "temperature_c"};

std::string insert_sql(const std::string& into, int columns, std::size_t rows) {
  std::string row = "(?";
  for (int i = 1; i < columns; ++i) row += ",?";
  row += ")";
  std::string sql = "INSERT INTO " + into + " VALUES " + row;
  for (std::size_t i = 1; i < rows; ++i) sql += "," + row;
  return sql;
}

void prepare(Inserts& inserts, sqlite3* db, const std::string& into, int columns) {
  inserts.many.reset();  // `many` stands only beside a `one` of the same columns
  inserts.one.emplace(db, insert_sql(into, columns, 1));
  inserts.many.emplace(db, insert_sql(into, columns, kRowsPerInsert));
}

[[noreturn]] void refuse(std::int64_t run, const std::string& what) {
  throw Error(Fault::kInput, fmt::format("run {}: {}.", run, what));
}

void require_edges(std::int64_t run, const Sample& sample, const std::optional<std::int64_t>& edges,
                   const std::optional<std::int64_t>& edge_tick) {
  if (edges && *edges < 0) refuse(run, "an edge count is negative");
  // The last edge may be a little newer than the conversion (wire.md), never by a wrap of the
  // clock.
  constexpr std::int64_t kWrap = std::int64_t{1} << 32;
  if (edge_tick && *edge_tick >= sample.tick + kWrap)
    refuse(run, fmt::format("the last edge (tick {}) is far later than its sample (tick {})",
                            *edge_tick, sample.tick));
}

void require_samples(std::int64_t run, const RunWriter& writer, std::span<const Sample> samples) {
  std::int64_t last = writer.last_tick;
  for (const Sample& sample : samples) {
    if (sample.tick <= last)
      refuse(run, fmt::format("ticks must rise, and {} comes after {}", sample.tick, last));
    if (sample.tick > kTickMask)
      refuse(run, fmt::format("tick {} is beyond what one run holds ({}); end the run and begin "
                              "another",
                              sample.tick, kTickMask));
    require_edges(run, sample, sample.motor_edges, sample.motor_edge_tick);
    require_edges(run, sample, sample.handwheel_edges, sample.handwheel_edge_tick);
    last = sample.tick;
  }
}

bool is_storable(double value) { return std::isnan(value) || std::abs(value) <= 1e15; }

void require_readings(std::int64_t run, const RunWriter& writer,
                      std::span<const ImportedReading> readings) {
  double last = writer.last_time_s;
  for (const ImportedReading& reading : readings) {
    if (!(std::abs(reading.time_s) <= 1e15)) refuse(run, "a reading has no time");
    if (reading.time_s < last)
      refuse(run,
             fmt::format("time must not fall, and {} s comes after {} s", reading.time_s, last));
    for (const double value : {reading.motor_rpm, reading.handwheel_rpm, reading.torque_nm,
                               reading.supply_v, reading.temperature_c})
      if (!is_storable(value)) refuse(run, "a reading is beyond 1e15");
    for (const double sd : {reading.motor_rpm_sd, reading.handwheel_rpm_sd, reading.torque_nm_sd,
                            reading.supply_v_sd})
      if (!is_storable(sd) || sd < 0)
        refuse(run, "a standard uncertainty is negative or beyond 1e15");
    last = reading.time_s;
  }
}

// Wraps: what an altered book holds may be anything.
std::int64_t difference(std::int64_t a, std::int64_t b) {
  return static_cast<std::int64_t>(static_cast<std::uint64_t>(a) - static_cast<std::uint64_t>(b));
}

std::optional<std::int64_t> age(const Sample& sample, const std::optional<std::int64_t>& tick) {
  if (!tick) return std::nullopt;
  return difference(sample.tick, *tick);
}

// Hands on the values of a sample in the order of kSampleChannels.
template <typename Take>
void each_channel(const Sample& sample, Take take) {
  take(sample.torque_counts);
  take(sample.motor_edges);
  take(age(sample, sample.motor_edge_tick));
  take(sample.handwheel_edges);
  take(age(sample, sample.handwheel_edge_tick));
  take(sample.supply_counts);
  take(sample.temperature_counts);
}

// The same for a reading, in the order of kReadingChannels.
template <typename Take>
void each_channel(const ImportedReading& reading, Take take) {
  for (const double value : {reading.time_s, reading.motor_rpm, reading.handwheel_rpm,
                             reading.torque_nm, reading.supply_v, reading.temperature_c})
    take(std::isnan(value) ? std::nullopt : std::optional<double>(value));
}

// Bit c: some row has a value in channel c.
template <typename Row>
unsigned channels_of(std::span<const Row> rows) {
  unsigned channels = 0;
  for (const Row& row : rows) {
    unsigned bit = 1;
    each_channel(row, [&](const auto& value) {
      if (value) channels |= bit;
      bit <<= 1;
    });
  }
  return channels;
}

template <typename Row>
void bind_channels(Statement& statement, int at, unsigned channels, const Row& row) {
  each_channel(row, [&](const auto& value) {
    if (channels & 1U) statement.bind(++at, value);
    channels >>= 1;
  });
}

void bind_sd(Statement& statement, int at, std::int64_t id, const ImportedReading& reading) {
  statement.bind(at + 1, id);
  statement.bind(at + 2, reading.motor_rpm_sd);
  statement.bind(at + 3, reading.handwheel_rpm_sd);
  statement.bind(at + 4, reading.torque_nm_sd);
  statement.bind(at + 5, reading.supply_v_sd);
}

// `bind(statement, at, i)` binds row i to the parameters after number `at`.
template <typename Bind>
void insert_rows(Inserts& inserts, int columns, std::size_t rows, Bind bind) {
  std::size_t i = 0;
  for (; i + kRowsPerInsert <= rows; i += kRowsPerInsert) {
    for (std::size_t k = 0; k < kRowsPerInsert; ++k)
      bind(*inserts.many, static_cast<int>(k) * columns, i + k);
    inserts.many->run();
  }
  for (; i < rows; ++i) {
    bind(*inserts.one, 0, i);
    inserts.one->run();
  }
}

// Prepares statements for the channels that these rows have; `before` is a column named before
// them.
template <std::size_t N>
void prepare(ChannelInserts& inserts, sqlite3* db, const std::string& table, const char* before,
             const std::array<const char*, N>& names, unsigned channels) {
  if (inserts.many && channels == inserts.channels) return;
  std::string columns = before;
  for (std::size_t c = 0; c < N; ++c)
    if (channels >> c & 1U) columns += fmt::format("{}{}", columns.empty() ? "" : ", ", names[c]);
  inserts.channels = channels;
  prepare(inserts, db, fmt::format("{} ({})", table, columns),
          std::popcount(channels) + (*before ? 1 : 0));
}

void insert_samples(ChannelInserts& inserts, sqlite3* db, std::int64_t run,
                    std::span<const Sample> samples) {
  const unsigned channels = channels_of(samples);
  prepare(inserts, db, "sample", "id", kSampleChannels, channels);
  insert_rows(inserts, 1 + std::popcount(channels), samples.size(),
              [&](Statement& statement, int at, std::size_t i) {
                statement.bind(at + 1, row_id(run, samples[i].tick));
                bind_channels(statement, at + 1, channels, samples[i]);
              });
}

// Row numbers of a run's readings follow each other. Where they are the last of the table SQLite
// gives them itself, as one more than the greatest, and need not look for the place of each row: a
// third of the time. The transaction keeps other writers from coming between.
void insert_readings(ChannelInserts& placed, ChannelInserts& next, sqlite3* db, std::int64_t first,
                     std::span<const ImportedReading> readings) {
  const unsigned channels = channels_of(readings);  // the time at least
  const int columns = std::popcount(channels);
  const auto bind_placed = [&](Statement& statement, int at, std::size_t i) {
    statement.bind(at + 1, first + static_cast<std::int64_t>(i));
    bind_channels(statement, at + 1, channels, readings[i]);
  };
  prepare(placed, db, "imported", "id", kReadingChannels, channels);
  bind_placed(*placed.one, 0, 0);
  placed.one->run();
  Statement greatest(db, "SELECT max(id) FROM imported");
  greatest.step();
  const std::size_t rest = readings.size() - 1;
  if (greatest.whole(0) != first)
    return insert_rows(placed, 1 + columns, rest, [&](Statement& statement, int at, std::size_t i) {
      bind_placed(statement, at, i + 1);
    });
  prepare(next, db, "imported", "", kReadingChannels, channels);
  insert_rows(next, columns, rest, [&](Statement& statement, int at, std::size_t i) {
    bind_channels(statement, at, channels, readings[i + 1]);
  });
  if (sqlite3_last_insert_rowid(db) != first + static_cast<std::int64_t>(rest))
    throw std::logic_error("readings were numbered otherwise than their run");
}

void store_count(sqlite3* db, std::optional<Statement>& update, std::int64_t run,
                 std::int64_t count) {
  if (!update) update.emplace(db, "UPDATE run SET sample_count = ? WHERE id = ?");
  update->with(count, run).run();
}

Sample read_sample(const Statement& row) {
  Sample sample;
  sample.tick = row.whole(0) & kTickMask;
  sample.torque_counts = row.optional_int(1);
  sample.motor_edges = row.optional_whole(2);
  if (const auto value = row.optional_whole(3))
    sample.motor_edge_tick = difference(sample.tick, *value);
  sample.handwheel_edges = row.optional_whole(4);
  if (const auto value = row.optional_whole(5))
    sample.handwheel_edge_tick = difference(sample.tick, *value);
  sample.supply_counts = row.optional_int(6);
  sample.temperature_counts = row.optional_int(7);
  return sample;
}

constexpr const char* kSelectSamples =
    "SELECT id, torque_counts, motor_edges, motor_edge_age_ticks, handwheel_edges, "
    "handwheel_edge_age_ticks, supply_counts, temperature_counts "
    "FROM sample WHERE id BETWEEN ? AND ? ORDER BY id";

ImportedReading read_reading(const Statement& row) {
  return {row.real(0), row.real(1), row.real(2), row.real(3), row.real(4), row.real(5)};
}

ImportedReading read_steady_reading(const Statement& row) {
  ImportedReading reading = read_reading(row);
  reading.motor_rpm_sd = row.real(6);
  reading.handwheel_rpm_sd = row.real(7);
  reading.torque_nm_sd = row.real(8);
  reading.supply_v_sd = row.real(9);
  return reading;
}

constexpr const char* kSelectReadings =
    "SELECT time_s, motor_rpm, handwheel_rpm, torque_nm, supply_v, temperature_c "
    "FROM imported WHERE id BETWEEN ? AND ? ORDER BY id";
constexpr const char* kSelectSteadyReadings =
    "SELECT i.time_s, i.motor_rpm, i.handwheel_rpm, i.torque_nm, i.supply_v, i.temperature_c, "
    "s.motor_rpm_sd, s.handwheel_rpm_sd, s.torque_nm_sd, s.supply_v_sd "
    "FROM imported i LEFT JOIN imported_sd s ON s.id = i.id "
    "WHERE i.id BETWEEN ? AND ? ORDER BY i.id";

}  // namespace

void each_reading_block(const Book& book, const Run& run, std::size_t block,
                        const std::function<void(std::span<const ImportedReading>)>& take) {
  Statement select(book.handle(), run.steady ? kSelectSteadyReadings : kSelectReadings);
  select.with(row_id(run.id, 0), row_id(run.id, kTickMask));
  std::vector<ImportedReading> rows;
  rows.reserve(block);
  while (select.step()) {
    rows.push_back(run.steady ? read_steady_reading(select) : read_reading(select));
    if (rows.size() < block) continue;
    take(rows);
    rows.clear();
  }
  if (!rows.empty()) take(rows);
}

namespace {

constexpr std::size_t kBlock = 4096;

// What is in the book already of a run, for a Book that did not append it itself.
RunWriter writer_from_book(const Book& book, const Run& run) {
  RunWriter writer;
  writer.from_rig = run.source == RunSource::kRig;
  writer.steady = run.steady;
  if (writer.from_rig)
    book.each_block(run.id, kBlock, [&](std::span<const Sample> rows) {
      writer.hash.add(rows);
      writer.count += static_cast<std::int64_t>(rows.size());
      writer.last_tick = rows.back().tick;
    });
  else
    each_reading_block(book, run, kBlock, [&](std::span<const ImportedReading> rows) {
      writer.hash.add(rows, writer.steady);
      writer.count += static_cast<std::int64_t>(rows.size());
      writer.last_time_s = rows.back().time_s;
    });
  return writer;
}

RunWriter& writer_of(const Book& book, std::map<std::int64_t, RunWriter>& writers,
                     std::int64_t id) {
  const auto found = writers.find(id);
  if (found != writers.end()) return found->second;
  const Run run = book.run(id);
  if (run.state != RunState::kOpen)
    throw Error(Fault::kInput, fmt::format("{} has ended; a run that has ended is never altered.",
                                           run_words(run)));
  return writers.emplace(id, writer_from_book(book, run)).first->second;
}

}  // namespace

void Book::append(std::int64_t run, std::span<const Sample> samples) {
  if (samples.empty()) return;
  Scope scope(handle(), state_->writers);
  RunWriter& writer = writer_of(*this, state_->writers, run);
  if (!writer.from_rig) throw std::logic_error("samples appended to an imported run");
  require_samples(run, writer, samples);
  insert_samples(state_->sample_inserts, handle(), run, samples);
  writer.hash.add(samples);
  writer.count += static_cast<std::int64_t>(samples.size());
  writer.last_tick = samples.back().tick;
  store_count(handle(), state_->update_count, run, writer.count);
  scope.commit();
}

void Book::append(std::int64_t run, std::span<const ImportedReading> readings) {
  if (readings.empty()) return;
  Scope scope(handle(), state_->writers);
  RunWriter& writer = writer_of(*this, state_->writers, run);
  if (writer.from_rig) throw std::logic_error("readings appended to a recorded run");
  require_readings(run, writer, readings);
  const std::int64_t first = row_id(run, writer.count);
  insert_readings(state_->reading_inserts, state_->next_reading_inserts, handle(), first, readings);
  if (writer.steady) append_sds(first, readings);
  writer.hash.add(readings, writer.steady);
  writer.count += static_cast<std::int64_t>(readings.size());
  writer.last_time_s = readings.back().time_s;
  store_count(handle(), state_->update_count, run, writer.count);
  scope.commit();
}

void Book::append_sds(std::int64_t first, std::span<const ImportedReading> readings) {
  constexpr int kColumns = 5;
  if (!state_->sd_inserts.many)
    prepare(state_->sd_inserts, handle(),
            "imported_sd (id, motor_rpm_sd, handwheel_rpm_sd, torque_nm_sd, supply_v_sd)",
            kColumns);
  insert_rows(state_->sd_inserts, kColumns, readings.size(),
              [&](Statement& statement, int at, std::size_t i) {
                bind_sd(statement, at, first + static_cast<std::int64_t>(i), readings[i]);
              });
}

void Book::end_run(std::int64_t run, RunState state) {
  if (state == RunState::kOpen) throw std::logic_error("a run ends complete or interrupted");
  Scope scope(handle(), state_->writers);
  const RunWriter& writer = writer_of(*this, state_->writers, run);
  Statement update(handle(),
                   "UPDATE run SET state = ?, sample_count = ?, content_hash = ?, "
                   "recorder = NULL WHERE id = ?");
  update.with(run_state_name(state), writer.count, writer.hash.hex(), run).run();
  clear_log_mark(handle(), run);
  state_->writers.erase(run);
  scope.commit();
}

namespace {

// False when another program has ended the run since it was looked at: a run seen open with a dead
// recorder may have been ended properly a moment ago, by that recorder or by another opening.
bool interrupt_run(Book& book, std::int64_t run, const std::string& why) {
  Book::Transaction transaction(book);
  if (book.run(run).state != RunState::kOpen) return false;
  const std::int64_t last_tick = [&] {
    Statement last(book.handle(), "SELECT max(id) FROM sample WHERE id BETWEEN ? AND ?");
    last.with(row_id(run, 0), row_id(run, kTickMask)).step();
    return last.whole(0) & kTickMask;
  }();
  std::string what = why + "; what was committed is kept";
  for (const LogMark& mark : log_marks(book.handle())) {
    if (mark.run != run || !book.log_was_missing()) continue;
    keep_log_mark_as_lost(book.handle(), mark);
    what = fmt::format("{}, but the book's log was missing: of what was recorded {} rows are left",
                       why, mark.rows);
  }
  book.add_event({run, last_tick, EventKind::kInterrupted, 0, what});
  book.end_run(run, RunState::kInterrupted);
  transaction.commit();
  return true;
}

}  // namespace

int close_abandoned_runs(Book& book) {
  std::vector<std::int64_t> abandoned;
  {
    Statement select(book.handle(), "SELECT id, recorder FROM run WHERE state = 'open'");
    while (select.step())
      if (!recorder_is_alive(select.text(1))) abandoned.push_back(select.whole(0));
  }
  int closed = 0;
  for (const std::int64_t run : abandoned)
    closed +=
        interrupt_run(book, run, "the recording program ended without ending the run") ? 1 : 0;
  return closed;
}

void close_open_runs(Book& book, const std::string& why) {
  RunFilter all;
  all.with_open = true;
  for (const Run& run : book.runs(all))
    if (run.state == RunState::kOpen) interrupt_run(book, run.id, why);
}

void Book::each_block(std::int64_t run, std::size_t block,
                      const std::function<void(std::span<const Sample>)>& take) const {
  Statement select(handle(), kSelectSamples);
  select.with(row_id(run, 0), row_id(run, kTickMask));
  std::vector<Sample> rows;
  rows.reserve(block);
  while (select.step()) {
    rows.push_back(read_sample(select));
    if (rows.size() < block) continue;
    take(rows);
    rows.clear();
  }
  if (!rows.empty()) take(rows);
}

void each_stretch(const Book& book, std::int64_t run, std::int64_t ticks, std::size_t rows,
                  const std::function<void(std::span<const Sample>)>& take) {
  Statement some(book.handle(), std::string(kSelectSamples) + " LIMIT ?");
  std::vector<Sample> taken;
  std::int64_t seen = -1, next = 0;
  while (next <= kTickMask) {
    taken.clear();
    some.with(row_id(run, next), row_id(run, kTickMask), static_cast<std::int64_t>(rows));
    while (some.step()) taken.push_back(read_sample(some));
    some.reset();
    if (taken.empty()) break;
    take(taken);
    seen = taken.back().tick;
    const std::int64_t stretch = seen / ticks;
    const bool within_one = taken.size() == rows && taken.front().tick / ticks == stretch;
    next = within_one ? (stretch + 1) * ticks : seen + 1;
  }
  Statement last(book.handle(), std::string(kSelectSamples) + " DESC LIMIT 1");
  last.with(row_id(run, seen + 1), row_id(run, kTickMask));
  if (seen < kTickMask && last.step()) take(std::vector<Sample>{read_sample(last)});
}

std::vector<Sample> Book::samples(std::int64_t run) const {
  std::vector<Sample> all;
  all.reserve(rows_to_expect(this->run(run)));
  each_block(run, kBlock, [&](std::span<const Sample> rows) {
    all.insert(all.end(), rows.begin(), rows.end());
  });
  return all;
}

std::vector<ImportedReading> Book::readings(std::int64_t run) const {
  std::vector<ImportedReading> all;
  all.reserve(rows_to_expect(this->run(run)));
  each_reading_block(*this, this->run(run), kBlock, [&](std::span<const ImportedReading> rows) {
    all.insert(all.end(), rows.begin(), rows.end());
  });
  return all;
}

}  // namespace loadline
