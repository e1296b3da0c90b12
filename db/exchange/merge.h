// Brings everything of another bench's book into this one.
//
// Things are the same when their UUID is the same, whatever their name or number. The rules:
// - A part that is not here is added; when another part of its kind has its name, it is added as
//   "NAME (2)", "NAME (3)" … A part that is here keeps what it says here; only fields that are
//   unknown here are taken over. Where both know a field and differ, that is reported.
// - A part that was joined into another one stays so: what an older copy says of it goes to that
//   one. Where only the other book has joined two parts of this one, that is reported.
// - A run that is not here is added with its rows, events and zeros, under a new number; its
//   content hash stays. One whose rows do not give its hash or are impossible is refused and
//   reported, and so is one that is still being recorded. A run that is here is left alone; when
//   the other has a different hash, kind, or is put aside, that is reported.
// - The other book may come from anybody: whatever this one would not have taken from its own
//   programs, and whatever does not read, is refused and reported by itself, with all that leans on
//   it; the rest comes in.
// - Calibrations and curves are added with their UUIDs; a curve whose runs were not all let in is
//   refused. Numbers of runs inside a curve's details keep the other book's numbering.
// - Pictures come with the part or run that they show.
// - Other documents (session plans and settings) stay where they are: they speak of their own book.
// Merging the same book again changes nothing.
#pragma once

#include <functional>
#include <string>
#include <utility>
#include <vector>

#include "db/book.h"

namespace loadline {

struct MergeResult {
  struct Refusal {
    std::string what;  ///< "run 7", by the other book's numbers
    std::string reason;
  };
  std::int64_t parts_added = 0, parts_known = 0, parts_completed = 0;
  std::vector<std::pair<std::string, std::string>> renamed;  ///< name there, name here
  std::vector<std::int64_t> runs_added;                      ///< numbers here
  std::int64_t runs_known = 0, calibrations_added = 0, curves_added = 0, zeros_added = 0;
  std::int64_t events_added = 0;  ///< of parts
  std::int64_t pictures_added = 0;
  std::int64_t documents_left = 0;
  std::vector<Refusal> refused;
  std::vector<std::string> differences;  ///< sentences

  /// Whether the call changed `into`.
  bool changed() const;
};

/// Parts first, then each run in a transaction of its own, so that an interrupted merge can simply
/// be repeated. `from` is only read. `progress` gets rows done and in all. Error(kInput) when both
/// are the same file.
MergeResult merge_books(Book& into, const Book& from,
                        const std::function<void(double, double)>& progress = {});

}  // namespace loadline
