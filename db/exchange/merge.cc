#include "db/exchange/merge.h"

#include <fmt/format.h>

#include <algorithm>
#include <filesystem>
#include <map>
#include <set>

#include "db/care/pictures.h"
#include "db/sql/text.h"
#include "db/store/book_state.h"
#include "db/store/impossible.h"

namespace loadline {
namespace {

std::optional<std::int64_t> id_of(const Book& book, const char* table, const std::string& uuid) {
  Statement select(book.handle(), fmt::format("SELECT id FROM {} WHERE uuid = ?", table));
  if (!select.with(uuid).step()) return std::nullopt;
  return select.whole(0);
}

// The longest name is 200 bytes; the number must fit behind what is kept of it.
std::string numbered_name(std::string name, int number) {
  const std::string suffix = fmt::format(" ({})", number);
  constexpr std::size_t kLongest = 200;
  if (name.size() + suffix.size() > kLongest) {
    name.resize(kLongest - suffix.size());
    // Not in the middle of a character: drop a cut sequence with its lead byte.
    std::size_t end = name.size();
    while (end > 0 && (static_cast<unsigned char>(name[end - 1]) & 0xC0U) == 0x80U) --end;
    if (end > 0 && (static_cast<unsigned char>(name[end - 1]) & 0x80U) != 0) name.resize(end - 1);
  }
  return name + suffix;
}

// What the book itself says when it does not take something, as a clause.
std::string reason_of(const Error& error) {
  std::string reason = on_one_line(error.what());
  while (!reason.empty() && reason.back() == '.') reason.pop_back();
  return reason;
}

class Merge {
 public:
  Merge(Book& into, const Book& from, const std::function<void(double, double)>& progress)
      : into_(into), from_(from), progress_(progress) {}

  MergeResult run() {
    merge_all_parts();
    merge_joined();
    merge_part_events();
    merge_calibrations();
    merge_lone_zeros();
    merge_runs();
    merge_curves();
    const std::vector<std::string> pictures = from_.document_names(kPictureDocuments);
    merge_pictures(pictures);
    result_.documents_left = static_cast<std::int64_t>(from_.document_names("").size()) -
                             static_cast<std::int64_t>(pictures.size());
    return std::move(result_);
  }

 private:
  using Ids = std::map<std::int64_t, std::int64_t>;

  void merge_all_parts() {
    Book::Transaction transaction(into_);
    for (const PartKind kind : all_part_kinds()) {
      Ids& ids = parts_[kind];
      for (const Part& part : from_.parts(kind))
        let_in(fmt::format("{} {}", part_kind_name(kind), part.id),
               [&] { ids[part.id] = merge_part(part); });
    }
    transaction.commit();
  }

  // What the book does not take, and what does not read in the other one, is refused by itself; the
  // rest goes on. Every other fault of the files ends the merge.
  bool let_in(const std::string& what, const std::function<void()>& work) {
    try {
      work();
      return true;
    } catch (const Damaged& damage) {
      if (!damage.is_in(from_.handle())) throw;
      result_.refused.push_back({what, reason_of(damage)});
    } catch (const Error& error) {
      if (error.fault() != Fault::kInput) throw;
      result_.refused.push_back({what, reason_of(error)});
    }
    return false;
  }

  // Two things with one UUID would each change what the other one brought.
  void claim(const std::string& what, const std::string& uuid) {
    require_uuid(uuid, "this " + what);
    if (!claimed_.insert(what + " " + uuid).second)
      throw Error(Fault::kInput, fmt::format("another {} of that book has its UUID", what));
  }

  std::int64_t merge_part(const Part& theirs) {
    claim(part_kind_name(theirs.kind), theirs.uuid);
    const auto id = id_of_part(theirs.kind, theirs.uuid);
    if (id) {
      ++result_.parts_known;
      complete_part(into_.part(theirs.kind, *id), theirs);
      return *id;
    }
    Part part = theirs;
    for (int number = 2; into_.has(part.kind, part.name); ++number)
      part.name = numbered_name(theirs.name, number);
    const std::int64_t added = into_.add(part);
    if (part.name != theirs.name) result_.renamed.emplace_back(theirs.name, part.name);
    ++result_.parts_added;
    return added;
  }

  // A part that was joined into another one here stays so, whatever an older copy says.
  std::optional<std::int64_t> id_of_part(PartKind kind, const std::string& uuid) const {
    if (const auto id = id_of(into_, part_kind_name(kind), uuid)) return id;
    return into_.joined_into(kind, uuid);
  }

  void merge_joined() {
    Book::Transaction transaction(into_);
    for (const JoinedPart& joined : from_.joined())
      let_in(fmt::format("joined {} {}", part_kind_name(joined.kind), on_one_line(joined.uuid)),
             [&] { merge_joined(joined); });
    transaction.commit();
  }

  void merge_joined(JoinedPart joined) {
    require_uuid(joined.uuid, "this part");
    if (into_.joined_into(joined.kind, joined.uuid)) return;
    joined.into = part_here(joined.kind, joined.into);
    const char* kind = part_kind_name(joined.kind);
    const std::string other = into_.part(joined.kind, joined.into).name;
    if (const auto ours = id_of(into_, kind, joined.uuid)) {
      const std::string name = into_.part(joined.kind, *ours).name;
      result_.differences.push_back(
          fmt::format("{0} '{1}' was joined into '{2}' there; if they are one, do so here: "
                      "loadline-db join {0} \"{1}\" --into \"{2}\"",
                      kind, name, other));
      return;
    }
    into_.add_joined(joined);
  }

  void merge_part_events() {
    Book::Transaction transaction(into_);
    for (const PartEvent& event : from_.part_events())
      let_in(fmt::format("event '{}'", on_one_line(event.what)), [&] { merge_part_event(event); });
    transaction.commit();
  }

  void merge_part_event(PartEvent event) {
    claim("event", event.uuid);
    if (id_of(into_, "subject_event", event.uuid)) return;
    event.part = part_here(event.kind, event.part);
    into_.add_part_event(event);
    ++result_.events_added;
  }

  void merge_pictures(const std::vector<std::string>& documents) {
    Book::Transaction transaction(into_);
    for (const std::string& document : documents)
      let_in(fmt::format("document '{}'", on_one_line(document)), [&] { merge_picture(document); });
    transaction.commit();
  }

  void merge_picture(const std::string& document) {
    const Picture picture = picture_in(document, from_.document(document).value_or(""));
    const std::string uuid = subject_of_picture(document);
    if (!came_here(uuid))
      throw Error(Fault::kInput, "what it shows is not in that book or was not let in");
    if (into_.document(document)) return;
    add_picture(into_, uuid, picture);
    ++result_.pictures_added;
  }

  bool came_here(const std::string& uuid) const {
    if (id_of(into_, "run", uuid)) return true;
    return std::any_of(all_part_kinds().begin(), all_part_kinds().end(),
                       [&](PartKind kind) { return id_of_part(kind, uuid).has_value(); });
  }

  void complete_part(Part ours, const Part& theirs) {
    bool completed = false;
    for (const auto& [field, value] : theirs.fields) {
      const auto [place, added] = ours.fields.emplace(field, value);
      completed = completed || added;
      if (place->second != value)
        result_.differences.push_back(fmt::format("{} '{}': {} differs; ours is kept",
                                                  part_kind_name(ours.kind), ours.name, field));
    }
    if (!completed) return;
    into_.update(ours);
    ++result_.parts_completed;
  }

  std::int64_t part_here(PartKind kind, std::int64_t id) const {
    if (id == 0) return 0;
    const Ids& ids = parts_.at(kind);
    const auto here = ids.find(id);
    if (here != ids.end()) return here->second;
    throw Error(Fault::kInput,
                fmt::format("it refers to {} {}, which is not in that book or was not let in",
                            part_kind_name(kind), id));
  }

  void merge_calibrations() {
    Book::Transaction transaction(into_);
    for (const Part& rig : from_.parts(PartKind::kRig))
      for (const Calibration& calibration : from_.calibrations(rig.id))
        let_in(fmt::format("calibration {}", calibration.id),
               [&] { merge_calibration(calibration); });
    transaction.commit();
  }

  void merge_calibration(Calibration calibration) {
    claim("calibration", calibration.uuid);
    if (id_of(into_, "calibration", calibration.uuid)) return;
    calibration.rig = part_here(PartKind::kRig, calibration.rig);
    into_.add_calibration(calibration);
    ++result_.calibrations_added;
  }

  // Zeros have no UUID; one is the same when rig, time and figures are.
  void merge_lone_zeros() {
    Book::Transaction transaction(into_);
    Statement theirs(from_.handle(),
                     "SELECT rig_id, tick, mean_counts, sd_counts, conversions, "
                     "made_utc FROM zero WHERE run_id IS NULL ORDER BY id");
    while (theirs.step()) {
      const Zero zero{0,
                      theirs.whole(0),
                      0,
                      ZeroMoment::kAlone,
                      theirs.whole(1),
                      theirs.real(2),
                      theirs.real(3),
                      theirs.whole(4),
                      theirs.text(5)};
      let_in(fmt::format("zero of {}", on_one_line(zero.made_utc)), [&] { merge_lone_zero(zero); });
    }
    transaction.commit();
  }

  void merge_lone_zero(Zero zero) {
    if (zero.made_utc.empty()) throw Error(Fault::kInput, "nothing says when it was taken");
    zero.rig = part_here(PartKind::kRig, zero.rig);
    Statement known(into_.handle(),
                    "SELECT 1 FROM zero WHERE run_id IS NULL AND rig_id IS ? AND "
                    "made_utc = ? AND mean_counts = ? AND conversions = ?");
    known.bind_reference(1, zero.rig);
    known.bind(2, zero.made_utc);
    known.bind(3, zero.mean_counts);
    known.bind(4, zero.conversions);
    if (known.step()) return;
    into_.add_zero(zero);
    ++result_.zeros_added;
  }

  void merge_runs() {
    std::vector<Run> runs;
    for (const std::int64_t id : row_numbers(from_.handle(), "run"))
      let_in(fmt::format("run {}", id), [&] { runs.push_back(from_.run(id)); });
    for (const Run& run : runs) rows_in_all_ += static_cast<double>(run.sample_count);
    // Slip checks first, so that a run finds the one that it leans on, whatever their numbers.
    for (const bool slip_checks : {true, false})
      for (const Run& run : runs)
        if ((run.kind == RunKind::kSlipCheck) == slip_checks)
          let_in(fmt::format("run {}", run.id), [&] { merge_run(run); });
  }

  void merge_run(const Run& theirs) {
    claim("run", theirs.uuid);
    if (theirs.state == RunState::kOpen)
      throw Error(Fault::kInput, "it is still being recorded; merge again when it has ended");
    if (const auto id = id_of(into_, "run", theirs.uuid)) {
      know_run(theirs, *id);
      return;
    }
    Book::Transaction transaction(into_);
    const std::int64_t id = copy_run(theirs);
    if (into_.run(id).content_hash != theirs.content_hash)
      throw Error(Fault::kInput, "its rows were altered after it ended (the content hash differs)");
    transaction.commit();
    runs_[theirs.id] = id;
    result_.runs_added.push_back(id);
  }

  void know_run(const Run& theirs, std::int64_t id) {
    ++result_.runs_known;
    runs_[theirs.id] = id;
    advance(theirs.sample_count);
    if (into_.run(id).content_hash != theirs.content_hash)
      result_.differences.push_back(fmt::format(
          "run {} here and run {} there are copies of one run with different rows; ours is kept",
          id, theirs.id));
    compare_statements(theirs, into_.run(id));
  }

  // What was put right in one of two copies is a person's word, not this program's to choose.
  void compare_statements(const Run& theirs, const Run& ours) {
    if (theirs.kind != ours.kind)
      result_.differences.push_back(
          fmt::format("run {} is a {} run here and a {} run there; ours "
                      "is kept",
                      ours.id, run_kind_name(ours.kind), run_kind_name(theirs.kind)));
    if (theirs.aside.empty() != ours.aside.empty())
      result_.differences.push_back(
          fmt::format("run {} is put aside {} only ({}); ours is kept", ours.id,
                      theirs.aside.empty() ? "here" : "there",
                      on_one_line(theirs.aside.empty() ? ours.aside : theirs.aside)));
  }

  std::int64_t copy_run(const Run& theirs) {
    Run run = theirs;
    run.rig = part_here(PartKind::kRig, run.rig);
    run.motor = part_here(PartKind::kMotor, run.motor);
    run.machine = part_here(PartKind::kMachine, run.machine);
    run.belt = part_here(PartKind::kBelt, run.belt);
    run.motor_pulley = part_here(PartKind::kPulley, run.motor_pulley);
    run.hand_pulley = part_here(PartKind::kPulley, run.hand_pulley);
    run.slip_check = slip_check_here(theirs);
    require_start(run);
    const std::int64_t id = into_.begin_run(run);
    copy_rows(theirs, id);
    for (RunEvent event : from_.events(theirs.id)) {
      event.run = id;
      into_.add_event(event);
    }
    for (Zero zero : from_.zeros(theirs.id)) {
      zero.run = id;
      zero.rig = part_here(PartKind::kRig, zero.rig);
      into_.add_zero(zero);
    }
    for (RunChange change : from_.changes(theirs.id)) {
      change.run = id;
      add_change(into_, change);
    }
    into_.end_run(id, theirs.state);
    return id;
  }

  static void require_start(const Run& run) {
    if (run.started_utc.empty()) throw Error(Fault::kInput, "nothing says when it was recorded");
  }

  void copy_rows(const Run& theirs, std::int64_t id) {
    const bool from_rig = theirs.source == RunSource::kRig;
    const std::string wide = from_rig ? wide_count(from_, theirs.id) : "";
    if (!wide.empty()) throw Error(Fault::kInput, wide);
    RunScan scan(theirs.steady);
    const auto take = [&](auto rows) {
      scan.take(rows);
      if (!scan.impossible().empty()) throw Error(Fault::kInput, scan.impossible());
      into_.append(id, rows);
      advance(static_cast<std::int64_t>(rows.size()));
    };
    constexpr std::size_t kBlock = 4096;
    if (from_rig)
      from_.each_block(theirs.id, kBlock, take);
    else
      each_reading_block(from_, theirs, kBlock, take);
  }

  std::int64_t slip_check_here(const Run& theirs) {
    if (theirs.slip_check == 0) return 0;
    const auto here = runs_.find(theirs.slip_check);
    if (here != runs_.end() && into_.run(here->second).kind == RunKind::kSlipCheck)
      return here->second;
    result_.differences.push_back(
        fmt::format("run {} there leans on a slip check that was not let in", theirs.id));
    return 0;
  }

  void merge_curves() {
    Book::Transaction transaction(into_);
    for (const std::int64_t id : row_numbers(from_.handle(), "curve"))
      let_in(fmt::format("curve {}", id), [&] { merge_curve(curve_of_number(from_, id)); });
    transaction.commit();
  }

  void merge_curve(StoredCurve curve) {
    claim("curve", curve.uuid);
    if (id_of(into_, "curve", curve.uuid)) return;
    const std::string fault = curve_fault(curve);
    if (!fault.empty()) throw Error(Fault::kInput, fault);
    map_runs(curve);
    curve.subject =
        part_here(curve.of_machine ? PartKind::kMachine : PartKind::kMotor, curve.subject);
    into_.add_curve(curve);
    ++result_.curves_added;
  }

  void map_runs(StoredCurve& curve) const {
    for (std::int64_t& run : curve.runs) {
      const auto here = runs_.find(run);
      if (here == runs_.end())
        throw Error(Fault::kInput, "a run that it was fitted to was not let in");
      run = here->second;
    }
  }

  void advance(std::int64_t rows) {
    rows_done_ += static_cast<double>(rows);
    if (progress_) progress_(rows_done_, rows_in_all_);
  }

  Book& into_;
  const Book& from_;
  const std::function<void(double, double)>& progress_;
  std::map<PartKind, Ids> parts_;
  Ids runs_;
  std::set<std::string> claimed_;
  double rows_done_ = 0, rows_in_all_ = 0;
  MergeResult result_;
};

}  // namespace

bool MergeResult::changed() const {
  return parts_added + parts_completed + calibrations_added + curves_added + zeros_added +
                 events_added + pictures_added >
             0 ||
         !runs_added.empty();
}

MergeResult merge_books(Book& into, const Book& from,
                        const std::function<void(double, double)>& progress) {
  std::error_code ignored;
  if (std::filesystem::equivalent(into.path(), from.path(), ignored))
    throw Error(Fault::kInput, fmt::format("{} is the book itself; name another book to merge into "
                                           "it.",
                                           from.path()));
  return Merge(into, from, progress).run();
}

}  // namespace loadline
