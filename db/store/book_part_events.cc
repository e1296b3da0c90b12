// Book: what was done to a part, and parts that were joined into others.
#include <fmt/format.h>

#include "db/sql/text.h"
#include "db/store/book_state.h"

namespace loadline {
namespace {

constexpr const char* kSelectEvents =
    "SELECT uuid, motor_id, machine_id, belt_id, on_date, what, made_utc FROM subject_event";
constexpr const char* kSelectJoined =
    "SELECT uuid, kind, name, into_id, was_json, made_utc FROM joined";

void require_event(const PartEvent& event) {
  constexpr std::size_t kLongest = 1000;
  require_date(event.on_date);
  require_note(event.what, "the event");
  if (event.what.empty() || event.what.size() > kLongest)
    throw Error(Fault::kInput, fmt::format("the event takes 1 to {} bytes.", kLongest));
  if (event.kind != PartKind::kMotor && event.kind != PartKind::kMachine &&
      event.kind != PartKind::kBelt)
    throw Error(Fault::kInput, fmt::format("a {} has no events; a motor, machine or belt has.",
                                           part_kind_name(event.kind)));
  if (!event.uuid.empty()) require_uuid(event.uuid, "the event");
  require_note(event.made_utc, "the time of the event's entry");
}

PartEvent read_part_event(const Statement& row) {
  PartEvent event{row.text(0), PartKind::kMotor, row.whole(1),
                  row.text(4), row.text(5),      row.text(6)};
  if (!row.is_null(2)) event.kind = PartKind::kMachine, event.part = row.whole(2);
  if (!row.is_null(3)) event.kind = PartKind::kBelt, event.part = row.whole(3);
  return event;
}

std::vector<PartEvent> read_part_events(Statement& select) {
  std::vector<PartEvent> events;
  while (select.step()) events.push_back(read_part_event(select));
  return events;
}

std::vector<JoinedPart> read_joined(sqlite3* db, Statement& select) {
  std::vector<JoinedPart> all;
  while (select.step()) {
    const auto kind = part_kind_from_name(select.text(1));
    if (!kind) throw Damaged(db, "a joined part has an unknown kind; run 'loadline-db check'.");
    all.push_back(
        {select.text(0), *kind, select.text(2), select.whole(3), select.text(4), select.text(5)});
  }
  return all;
}

}  // namespace

void Book::add_part_event(const PartEvent& event) {
  require_event(event);
  Statement insert(handle(),
                   "INSERT INTO subject_event (uuid, on_date, what, made_utc, motor_id, "
                   "machine_id, belt_id) VALUES (?, ?, ?, ?, ?, ?, ?)");
  insert.with(event.uuid.empty() ? new_uuid() : event.uuid, event.on_date, event.what,
              event.made_utc.empty() ? utc_now() : event.made_utc);
  insert.bind_reference(5, event.kind == PartKind::kMotor ? event.part : 0);
  insert.bind_reference(6, event.kind == PartKind::kMachine ? event.part : 0);
  insert.bind_reference(7, event.kind == PartKind::kBelt ? event.part : 0);
  insert.run();
}

std::vector<PartEvent> Book::part_events() const {
  if (state_->layout < 2) return {};
  Statement select(handle(), std::string(kSelectEvents) + " ORDER BY on_date, id");
  return read_part_events(select);
}

std::vector<PartEvent> Book::part_events(PartKind kind, std::int64_t part) const {
  const bool has_events =
      kind == PartKind::kMotor || kind == PartKind::kMachine || kind == PartKind::kBelt;
  if (state_->layout < 2 || !has_events) return {};
  Statement select(handle(), fmt::format("{} WHERE {}_id = ? ORDER BY on_date, id", kSelectEvents,
                                         part_kind_name(kind)));
  select.with(part);
  return read_part_events(select);
}

std::vector<JoinedPart> Book::joined() const {
  if (state_->layout < 2) return {};
  Statement select(handle(), std::string(kSelectJoined) + " ORDER BY made_utc, uuid");
  return read_joined(handle(), select);
}

std::vector<JoinedPart> Book::joined(PartKind kind, std::int64_t into) const {
  if (state_->layout < 2) return {};
  Statement select(handle(), std::string(kSelectJoined) +
                                 " WHERE kind = ? AND into_id = ? ORDER BY made_utc, uuid");
  select.with(part_kind_name(kind), into);
  return read_joined(handle(), select);
}

std::optional<std::int64_t> Book::joined_into(PartKind kind, const std::string& uuid) const {
  if (state_->layout < 2) return std::nullopt;
  Statement select(handle(), "SELECT into_id FROM joined WHERE kind = ? AND uuid = ?");
  if (!select.with(part_kind_name(kind), uuid).step()) return std::nullopt;
  return select.whole(0);
}

void Book::add_joined(const JoinedPart& joined) {
  require_name(joined.name, "the name of the joined part");
  require_uuid(joined.uuid, "the joined part");
  require_note(joined.was_json, "what is kept of the joined part");
  require_note(joined.made_utc, "the time of the joining");
  Statement insert(handle(),
                   "INSERT INTO joined (uuid, kind, name, into_id, was_json, made_utc) "
                   "VALUES (?, ?, ?, ?, ?, ?)");
  insert
      .with(joined.uuid, part_kind_name(joined.kind), joined.name, joined.into, joined.was_json,
            joined.made_utc.empty() ? utc_now() : joined.made_utc)
      .run();
}

}  // namespace loadline
