#include "db/exchange/merge.h"

#include <fmt/format.h>

#include <filesystem>
#include <map>
#include <set>

#include "db/store/book_state.h"

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

class Merge {
 public:
  Merge(Book& into, const Book& from, const std::function<void(double, double)>& progress)
      : into_(into), from_(from), progress_(progress) {}

  MergeResult run() {
    merge_all_parts();
    merge_calibrations();
    merge_lone_zeros();
    merge_runs();
    merge_curves();
    result_.documents_left = static_cast<std::int64_t>(from_.document_names("").size());
    return std::move(result_);
  }

 private:
  using Ids = std::map<std::int64_t, std::int64_t>;

  void merge_all_parts() {
    Book::Transaction transaction(into_);
    for (const PartKind kind : all_part_kinds())
      for (const Part& part : from_.parts(kind)) parts_[kind][part.id] = merge_part(part);
    transaction.commit();
  }

  std::int64_t merge_part(const Part& theirs) {
    if (const auto id = id_of(into_, part_kind_name(theirs.kind), theirs.uuid)) {
      ++result_.parts_known;
      complete_part(into_.part(theirs.kind, *id), theirs);
      return *id;
    }
    Part part = theirs;
    for (int number = 2; into_.find(part.kind, part.name); ++number)
      part.name = numbered_name(theirs.name, number);
    if (part.name != theirs.name) result_.renamed.emplace_back(theirs.name, part.name);
    ++result_.parts_added;
    return into_.add(part);
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
    throw Error(Fault::kBook, fmt::format("the book {} refers to a {} that it does not hold; run "
                                          "'loadline-db check --book {}'.",
                                          from_.path(), part_kind_name(kind), from_.path()));
  }

  void merge_calibrations() {
    Book::Transaction transaction(into_);
    for (const Part& rig : from_.parts(PartKind::kRig))
      for (Calibration calibration : from_.calibrations(rig.id)) {
        if (id_of(into_, "calibration", calibration.uuid)) continue;
        calibration.rig = part_here(PartKind::kRig, calibration.rig);
        into_.add_calibration(calibration);
        ++result_.calibrations_added;
      }
    transaction.commit();
  }

  // Zeros have no UUID; one is the same when rig, time and figures are.
  void merge_lone_zeros() {
    Book::Transaction transaction(into_);
    Statement theirs(from_.handle(),
                     "SELECT rig_id, tick, mean_counts, sd_counts, conversions, "
                     "made_utc FROM zero WHERE run_id IS NULL ORDER BY id");
    Statement known(into_.handle(),
                    "SELECT 1 FROM zero WHERE run_id IS NULL AND rig_id IS ? AND "
                    "made_utc = ? AND mean_counts = ? AND conversions = ?");
    while (theirs.step()) {
      Zero zero{0,
                part_here(PartKind::kRig, theirs.whole(0)),
                0,
                "alone",
                theirs.whole(1),
                theirs.real(2),
                theirs.real(3),
                theirs.whole(4),
                theirs.text(5)};
      known.bind_reference(1, zero.rig);
      known.bind(2, zero.made_utc);
      known.bind(3, zero.mean_counts);
      known.bind(4, zero.conversions);
      const bool is_known = known.step();
      known.reset();
      if (is_known) continue;
      into_.add_zero(zero);
      ++result_.zeros_added;
    }
    transaction.commit();
  }

  void merge_runs() {
    RunFilter all;
    all.with_open = true;
    const std::vector<Run> runs = from_.runs(all);
    for (const Run& run : runs) rows_in_all_ += static_cast<double>(run.sample_count);
    std::set<std::int64_t> added;
    for (const Run& run : runs)
      if (merge_run(run)) added.insert(run.id);
    // A slip check may have a higher number than the run that leans on it.
    for (const Run& run : runs)
      if (added.count(run.id) > 0 && run.slip_check) link_slip_check(run);
  }

  bool merge_run(const Run& theirs) {
    if (theirs.state == RunState::kOpen) {
      refuse_run(theirs, "it is still being recorded; merge again when it has ended");
      return false;
    }
    if (const auto id = id_of(into_, "run", theirs.uuid)) {
      ++result_.runs_known;
      runs_[theirs.id] = *id;
      advance(theirs.sample_count);
      if (into_.run(*id).content_hash != theirs.content_hash)
        result_.differences.push_back(fmt::format(
            "run {} here and run {} there are copies of one run with different rows; ours is kept",
            *id, theirs.id));
      return false;
    }
    Book::Transaction transaction(into_);
    const std::int64_t id = copy_run(theirs);
    if (into_.run(id).content_hash != theirs.content_hash) {
      refuse_run(theirs, "its rows were altered after it ended (the content hash differs)");
      return false;
    }
    transaction.commit();
    runs_[theirs.id] = id;
    result_.runs_added.push_back(id);
    return true;
  }

  std::int64_t copy_run(const Run& theirs) {
    Run run = theirs;
    run.rig = part_here(PartKind::kRig, run.rig);
    run.motor = part_here(PartKind::kMotor, run.motor);
    run.machine = part_here(PartKind::kMachine, run.machine);
    run.belt = part_here(PartKind::kBelt, run.belt);
    run.motor_pulley = part_here(PartKind::kPulley, run.motor_pulley);
    run.hand_pulley = part_here(PartKind::kPulley, run.hand_pulley);
    run.slip_check = 0;
    const std::int64_t id = into_.begin_run(run);
    const auto take = [&](auto rows) {
      into_.append(id, rows);
      advance(static_cast<std::int64_t>(rows.size()));
    };
    constexpr std::size_t kBlock = 4096;
    if (run.source == "rig")
      from_.each_block(theirs.id, kBlock, take);
    else
      each_reading_block(from_, theirs.id, kBlock, take);
    for (RunEvent event : from_.events(theirs.id)) {
      event.run = id;
      into_.add_event(event);
    }
    for (Zero zero : from_.zeros(theirs.id)) {
      zero.run = id;
      zero.rig = part_here(PartKind::kRig, zero.rig);
      into_.add_zero(zero);
    }
    into_.end_run(id, theirs.state);
    return id;
  }

  void link_slip_check(const Run& theirs) {
    const auto slip_check = runs_.find(theirs.slip_check);
    if (slip_check == runs_.end()) {
      result_.differences.push_back(
          fmt::format("run {} there leans on a slip check that was not let in", theirs.id));
      return;
    }
    Run ours = into_.run(runs_.at(theirs.id));
    ours.slip_check = slip_check->second;
    into_.update_run(ours);
  }

  void merge_curves() {
    Book::Transaction transaction(into_);
    for (StoredCurve curve : from_.curves()) {
      if (id_of(into_, "curve", curve.uuid)) continue;
      if (!map_runs(curve)) {
        result_.refused.push_back(
            {fmt::format("curve {}", curve.id), "a run that it was fitted to was not let in"});
        continue;
      }
      curve.subject =
          part_here(curve.of_machine ? PartKind::kMachine : PartKind::kMotor, curve.subject);
      into_.add_curve(curve);
      ++result_.curves_added;
    }
    transaction.commit();
  }

  bool map_runs(StoredCurve& curve) const {
    for (std::int64_t& run : curve.runs) {
      const auto here = runs_.find(run);
      if (here == runs_.end()) return false;
      run = here->second;
    }
    return true;
  }

  void refuse_run(const Run& run, const std::string& reason) {
    result_.refused.push_back({fmt::format("run {}", run.id), reason});
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
  double rows_done_ = 0, rows_in_all_ = 0;
  MergeResult result_;
};

}  // namespace

bool MergeResult::changed() const {
  return parts_added + parts_completed + calibrations_added + curves_added + zeros_added > 0 ||
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
