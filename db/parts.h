// The things of the bench that have names: rigs, motors, machines, pulleys, belts.
//
// What a part can record is one table of fields per kind (part_fields). The columns of the book,
// the options of `add` and `set`, the CSV of `export` and the rules of `merge` all come from it, so
// a new field is one new line there. Field names are the option names: "shaft-mm", with the unit in
// them.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <span>
#include <string>
#include <variant>
#include <vector>

namespace loadline {

enum class PartKind { kRig, kMotor, kMachine, kPulley, kBelt };

/// "rig", "motor", "machine", "pulley", "belt"; also the table's name in the book.
const char* part_kind_name(PartKind kind);
std::optional<PartKind> part_kind_from_name(const std::string& name);
std::span<const PartKind> all_part_kinds();

/// One thing that a part can record.
struct PartField {
  enum class Type { kNumber, kText };
  const char* name;  ///< option name with unit, "shaft-mm"; the column is the same with '_'
  Type type;
  double low, high;     ///< a number outside [low, high] is refused (and by CHECK in the book)
  const char* choices;  ///< for text: "a|b|c", or nullptr for free text
  const char* help;
};

/// Fields of a kind, in display order. `name`, `uuid` and `note` exist for every part besides.
std::span<const PartField> part_fields(PartKind kind);

/// One part. A plain value: copying it copies nothing of the book.
struct Part {
  PartKind kind = PartKind::kMotor;
  std::int64_t id = 0;  ///< row in the book; 0 before it is stored
  std::string uuid;     ///< the same in every book that this part was merged into
  std::string name;     ///< unique within its kind; any UTF-8 but control characters, 1–200 bytes
  std::string note;
  std::map<std::string, std::variant<double, std::string>>
      fields;  ///< by field name; absent = unknown

  /// The number in field `field`, empty when not recorded. std::logic_error for a field that the
  /// kind does not have: that is a slip in the program, not in the data.
  std::optional<double> number(const std::string& field) const;
  std::optional<std::string> text(const std::string& field) const;
};

/// Something that was done to a motor, machine or belt: oiled, new brushes.
struct PartEvent {
  std::string uuid;
  PartKind kind = PartKind::kMotor;
  std::int64_t part = 0;
  std::string on_date;  ///< "2026-03-01"
  std::string what;
  std::string made_utc;  ///< when it was put down
};

/// A part that turned out to be another one under a second name; all that referred to it refers to
/// that one now.
struct JoinedPart {
  std::string uuid;
  PartKind kind = PartKind::kMotor;
  std::string name;
  std::int64_t into = 0;
  std::string was_json;  ///< its fields and note, and the numbers of what was its own
  std::string made_utc;
};

}  // namespace loadline
