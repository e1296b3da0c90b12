#include "db/exchange/header_names.h"

#include <fmt/format.h>

#include <algorithm>
#include <cstring>

#include "db/basis/units.h"
#include "db/sql/text.h"

namespace loadline {
namespace {

constexpr double kStandardG = 9.80665;                           // m/s², ISO 80000-3
constexpr double kInch = 0.0254, kPoundForce = 4.4482216152605;  // m, N: exact by definition

struct Unit {
  const char* quantity;  ///< "time", "speed", "torque", "voltage", "temperature"
  const char* name;      ///< as normalised by unit_key()
  double factor, offset = 0;
};
// To s, rpm, N·m, V, °C.
constexpr Unit kUnits[] = {
    {"time", "s", 1},
    {"time", "sec", 1},
    {"time", "seconds", 1},
    {"time", "ms", 1e-3},
    {"time", "us", 1e-6},
    {"time", "min", 60},
    {"time", "h", 3600},
    {"speed", "rpm", 1},
    {"speed", "1/min", 1},
    {"speed", "/min", 1},
    {"speed", "min-1", 1},
    {"speed", "min^-1", 1},
    {"speed", "u/min", 1},
    {"speed", "umin", 1},
    {"speed", "tr/min", 1},
    {"speed", "omw/min", 1},
    {"speed", "r/min", 1},
    {"speed", "rev/min", 1},
    {"speed", "rps", 60},
    {"speed", "1/s", 60},
    {"speed", "rev/s", 60},
    {"speed", "rad/s", 60 / (2 * kPi)},
    {"torque", "nm", 1},
    {"torque", "mnm", 1e-3},
    {"torque", "cnm", 1e-2},
    {"torque", "ncm", 1e-2},
    {"torque", "nmm", 1e-3},
    {"torque", "gcm", 1e-5 * kStandardG},
    {"torque", "gfcm", 1e-5 * kStandardG},
    {"torque", "kgcm", 1e-2 * kStandardG},
    {"torque", "kgfcm", 1e-2 * kStandardG},
    {"torque", "kgm", kStandardG},
    {"torque", "ozin", kPoundForce / 16 * kInch},
    {"torque", "ozfin", kPoundForce / 16 * kInch},
    {"torque", "inoz", kPoundForce / 16 * kInch},
    {"torque", "inozf", kPoundForce / 16 * kInch},
    {"torque", "lbin", kPoundForce* kInch},
    {"torque", "lbfin", kPoundForce* kInch},
    {"torque", "inlb", kPoundForce* kInch},
    {"torque", "inlbs", kPoundForce* kInch},
    {"torque", "inlbf", kPoundForce* kInch},
    {"torque", "lbft", kPoundForce * 12 * kInch},
    {"torque", "lbfft", kPoundForce * 12 * kInch},
    {"torque", "ftlb", kPoundForce * 12 * kInch},
    {"torque", "ftlbs", kPoundForce * 12 * kInch},
    {"torque", "ftlbf", kPoundForce * 12 * kInch},
    {"voltage", "v", 1},
    {"voltage", "volt", 1},
    {"voltage", "volts", 1},
    {"voltage", "mv", 1e-3},
    {"voltage", "kv", 1e3},
    {"temperature", "c", 1},
    {"temperature", "degc", 1},
    {"temperature", "celsius", 1},
    {"temperature", "k", 1, -273.15},
    {"temperature", "f", 5.0 / 9, -160.0 / 9},
    {"temperature", "degf", 5.0 / 9, -160.0 / 9},
};

// For people, by quantity.
std::string units_known(const std::string& quantity) {
  if (quantity == "time") return "s, ms, µs, min or h";
  if (quantity == "speed") return "rpm, rev/s or rad/s";
  if (quantity == "torque") return "N·m, mN·m, N·cm, gf·cm, kgf·cm, ozf·in, lbf·in or lbf·ft";
  return quantity == "voltage" ? "V, mV or kV" : "°C, °F or K";
}

const char* quantity_of(const ReadingColumn& column) {
  const std::string name = column.name;
  if (name == "time_s") return "time";
  if (name.starts_with("motor_rpm") || name.starts_with("handwheel_rpm")) return "speed";
  if (name.starts_with("torque")) return "torque";
  return name.starts_with("supply") ? "voltage" : "temperature";
}

struct Word {
  const char* name;    ///< as normalised by name_key(), without its unit
  const char* column;  ///< "speed": of either wheel
  bool plain;          ///< says it in plain English; else it is only proposed
};
constexpr Word kWords[] = {
    {"time", "time_s", true},
    {"elapsed time", "time_s", true},
    {"elapsed", "time_s", true},
    {"t", "time_s", false},
    {"zeit", "time_s", false},
    {"uhrzeit", "time_s", false},
    {"timestamp", "time_s", false},
    {"seconds", "time_s", false},
    {"temps", "time_s", false},
    {"tiempo", "time_s", false},
    {"tempo", "time_s", false},
    {"tijd", "time_s", false},
    {"motor", "motor_rpm", true},
    {"motor speed", "motor_rpm", true},
    {"speed motor", "motor_rpm", true},
    {"motordrehzahl", "motor_rpm", false},
    {"drehzahl motor", "motor_rpm", false},
    {"handwheel", "handwheel_rpm", true},
    {"hand wheel", "handwheel_rpm", true},
    {"handwheel speed", "handwheel_rpm", true},
    {"hand wheel speed", "handwheel_rpm", true},
    {"handrad", "handwheel_rpm", false},
    {"drehzahl handrad", "handwheel_rpm", false},
    {"volant", "handwheel_rpm", false},
    {"machine speed", "handwheel_rpm", false},
    {"speed", "speed", false},
    {"rotation", "speed", false},
    {"n", "speed", false},
    {"rpm", "speed", false},
    {"drehzahl", "speed", false},
    {"vitesse", "speed", false},
    {"regime", "speed", false},
    {"régime", "speed", false},
    {"velocidad", "speed", false},
    {"velocità", "speed", false},
    {"giri", "speed", false},
    {"toerental", "speed", false},
    {"torque", "torque_nm", true},
    {"brake torque", "torque_nm", true},
    {"moment", "torque_nm", false},
    {"drehmoment", "torque_nm", false},
    {"m", "torque_nm", false},
    {"couple", "torque_nm", false},
    {"par", "torque_nm", false},
    {"coppia", "torque_nm", false},
    {"koppel", "torque_nm", false},
    {"supply", "supply_v", true},
    {"supply voltage", "supply_v", true},
    {"voltage", "supply_v", true},
    {"volts", "supply_v", false},
    {"u", "supply_v", false},
    {"spannung", "supply_v", false},
    {"tension", "supply_v", false},
    {"tensión", "supply_v", false},
    {"spanning", "supply_v", false},
    {"temperature", "temperature_c", true},
    {"temp", "temperature_c", false},
    {"temperatur", "temperature_c", false},
    {"température", "temperature_c", false},
    {"temperatura", "temperature_c", false},
};

const ReadingColumn* column_named(const std::string& name) {
  for (const ReadingColumn& column : reading_columns_known())
    if (name == column.name) return &column;
  return nullptr;
}

void replace_all(std::string& text, const std::string& from, const std::string& to) {
  for (std::size_t at = 0; (at = text.find(from, at)) != std::string::npos; at += to.size())
    text.replace(at, from.size(), to);
}

// "N·m", "N m", "Nm", "N*m", "N.m" are one; so are "µs" with either letter mu and "us".
std::string unit_key(std::string text) {
  for (const char* mu : {"\xC2\xB5", "\xCE\xBC"}) replace_all(text, mu, "u");
  for (const char* minus : {"\xE2\x88\x92", "\xE2\x80\x93"}) replace_all(text, minus, "-");
  replace_all(text, "\xE2\x81\xBB\xC2\xB9", "-1");  // superscript
  for (const char* gone : {"\xC2\xB7", "\xE2\x8B\x85", "\xC2\xB0", "\xC2\xBA", "*", ".", " "})
    replace_all(text, gone, "");
  return lowered(text);
}

// A torque's two units may have a hyphen between them: "N-m", "oz-in".
const Unit* unit_named(const std::string& text, const char* quantity = nullptr) {
  const std::string key = unit_key(text);
  std::string joined = key;
  replace_all(joined, "-", "");
  for (const Unit& unit : kUnits) {
    if (quantity && std::strcmp(quantity, unit.quantity) != 0) continue;
    const bool torque = std::strcmp(unit.quantity, "torque") == 0;
    if ((torque ? joined : key) == unit.name) return &unit;
  }
  return nullptr;
}

std::string without_brackets(const std::string& text) {
  const bool bracketed = text.size() > 2 && ((text.front() == '[' && text.back() == ']') ||
                                             (text.front() == '(' && text.back() == ')'));
  return bracketed ? text.substr(1, text.size() - 2) : text;
}

std::string name_key(std::string text) {
  replace_all(text, "_", " ");
  text = lowered(text);
  std::string out;
  for (const char c : text)
    if (c != ' ' || (!out.empty() && out.back() != ' ')) out += c;
  while (!out.empty() && (out.back() == ' ' || out.back() == ',' || out.back() == ':'))
    out.pop_back();
  return out;
}

/// A header cell taken apart.
struct Header {
  std::string name;  ///< normalised
  std::string unit;  ///< as written, "" when there is none
  bool bracketed = false;
};

// "Time (s)", "Time [s]", "Time / s", "Time in s", "Time, s"; without brackets the unit must be
// one.
Header taken_apart(const std::string& cell) {
  for (const auto& [open, close] : {std::pair{'(', ')'}, std::pair{'[', ']'}}) {
    const std::size_t at = cell.rfind(open), end = cell.rfind(close);
    if (at != std::string::npos && end != std::string::npos && end > at)
      return {name_key(cell.substr(0, at)), cell.substr(at + 1, end - at - 1), true};
  }
  for (const char* between : {" in ", "/ ", ", ", "_", " "}) {
    const std::size_t at = cell.rfind(between);
    if (at == std::string::npos || at == 0) continue;
    const std::string unit = cell.substr(at + std::strlen(between));
    if (unit_named(unit)) {
      std::string name = cell.substr(0, at);
      while (!name.empty() && (name.back() == ' ' || name.back() == '/')) name.pop_back();
      return {name_key(name), unit, false};
    }
  }
  return {name_key(cell), "", false};
}

Header taken_apart(const HeaderCell& cell) {
  Header header = taken_apart(cell.text);
  if (header.unit.empty()) header.unit = without_brackets(cell.unit);
  return header;
}

const Word* word_of(const Header& header) {
  for (const Word& word : kWords)
    if (header.name == word.name) return &word;
  return nullptr;
}

// A word inside a longer name: "Drehzahl Welle 2", "rpm 1".
const Word* word_within(const std::string& name) {
  const Word* found = nullptr;
  for (const Word& word : kWords) {
    const std::string text = word.name;
    const bool within = text.size() > 3 ? name.find(text) != std::string::npos
                                        : text == "rpm" && name.starts_with(text + " ");
    if (within && (!found || text.size() > std::strlen(found->name))) found = &word;
  }
  return found;
}

[[noreturn]] void refuse_option(const std::string& why) {
  throw Error(Fault::kInput,
              fmt::format("--columns {}; it is written as 'NAME=COLUMN' or 'NAME=COLUMN:UNIT' with "
                          "commas between, '-' leaves a column out: --columns 'Drehzahl=motor_rpm,"
                          "Moment [mNm]=torque_nm:mN·m,Nr=-'.",
                          why));
}

std::string quoted_for_shell(std::string text) {
  replace_all(text, "'", "'\\''");
  return "'" + text + "'";
}

std::string proposed_target(const Header& header, const std::string& speed) {
  const Word* word = word_of(header);
  if (!word) word = word_within(header.name);
  std::string target = word ? word->column : "";
  if (target.empty() && !header.unit.empty())
    if (const Unit* unit = unit_named(header.unit)) {
      const std::string quantity = unit->quantity;
      target = quantity == "time"      ? "time_s"
               : quantity == "speed"   ? "speed"
               : quantity == "torque"  ? "torque_nm"
               : quantity == "voltage" ? "supply_v"
                                       : "temperature_c";
    }
  return target == "speed" ? speed : target;
}

}  // namespace

std::string lowered(std::string text) {
  for (char& c : text)
    if (c >= 'A' && c <= 'Z') c = static_cast<char>(c - 'A' + 'a');
  for (const auto& [upper, lower] : {std::pair{"É", "é"}, std::pair{"À", "à"}, std::pair{"Ó", "ó"}})
    replace_all(text, upper, lower);
  return text;
}

bool is_known_unit(const std::string& text) { return unit_named(without_brackets(text)); }

bool units_agree(const HeaderCell& cell) {
  const std::string said = taken_apart(cell.text).unit;
  if (said.empty() || cell.unit.empty()) return true;
  const Unit* const in_name = unit_named(said);
  const Unit* const below = unit_named(without_brackets(cell.unit));
  return !in_name || !below ||
         (std::strcmp(in_name->quantity, below->quantity) == 0 &&
          in_name->factor == below->factor && in_name->offset == below->offset);
}

std::optional<NamedColumn> column_of_header(const HeaderCell& cell) {
  if (const ReadingColumn* exact = column_named(cell.text)) return NamedColumn{exact};
  std::string flat = lowered(cell.text);
  std::replace(flat.begin(), flat.end(), ' ', '_');
  if (const ReadingColumn* same = column_named(flat)) return NamedColumn{same};
  const Header header = taken_apart(cell);
  const Word* word = word_of(header);
  if (!word || !word->plain || header.unit.empty()) return std::nullopt;
  const ReadingColumn* column = column_named(word->column);
  const Unit* unit = unit_named(header.unit, quantity_of(*column));
  if (!unit) return std::nullopt;
  return NamedColumn{column, unit->factor, unit->offset};
}

ColumnNames::ColumnNames(const std::string& option) {
  std::size_t at = 0;
  while (at < option.size()) {
    // A name may hold commas and equals signs, so the entry is known by what follows its '='.
    std::optional<Entry> entry;
    std::size_t end = 0;
    for (std::size_t equals = option.find('=', at); equals != std::string::npos && !entry;
         equals = option.find('=', equals + 1)) {
      const std::size_t stop = std::min(option.find_first_of(":,", equals + 1), option.size());
      const std::string target = option.substr(equals + 1, stop - equals - 1);
      if (target != "-" && !column_named(target)) continue;
      end = std::min(option.find(',', stop), option.size());
      entry = Entry{option.substr(at, equals - at), target,
                    stop < end ? option.substr(stop + 1, end - stop - 1) : ""};
    }
    if (!entry) {
      std::string known;
      for (const ReadingColumn& column : reading_columns_known().first(6))
        known += (known.empty() ? "" : ", ") + std::string(column.name);
      refuse_option(fmt::format("has '{}', which names no column (known are {})",
                                on_one_line(option.substr(at, 60)), known));
    }
    if (entry->name.empty()) refuse_option("has an entry without a name before '='");
    if (!entry->unit.empty() &&
        (entry->target == "-" ||
         !unit_named(entry->unit, quantity_of(*column_named(entry->target)))))
      refuse_option(fmt::format("has the unit '{}', which is none that is known of {}",
                                on_one_line(entry->unit), entry->target));
    entries_.push_back(*entry);
    at = end + 1;
  }
}

bool ColumnNames::names(const std::string& cell) const {
  return std::any_of(entries_.begin(), entries_.end(),
                     [&](const Entry& entry) { return name_key(entry.name) == name_key(cell); });
}

std::optional<NamedColumn> ColumnNames::of(const HeaderCell& cell) const {
  for (const Entry& entry : entries_) {
    if (name_key(entry.name) != name_key(cell.text)) continue;
    if (entry.target == "-") return NamedColumn{};
    const ReadingColumn* column = column_named(entry.target);
    const Header header = taken_apart(cell);
    const std::string& word = entry.unit.empty() ? header.unit : entry.unit;
    if (word.empty()) return NamedColumn{column};
    const Unit* unit = unit_named(word, quantity_of(*column));
    if (!unit)
      refuse_option(
          fmt::format("gives no unit for '{0}', and '{1}' in it is none that is known of "
                      "{2}; name one: '{0}={2}:UNIT'",
                      on_one_line(entry.name), on_one_line(word), entry.target));
    const bool is_sd = std::string(column->name).ends_with("_sd");
    return NamedColumn{column, unit->factor, is_sd ? 0 : unit->offset};
  }
  return std::nullopt;
}

std::string ColumnNames::unused(const std::vector<HeaderCell>& header) const {
  for (const Entry& entry : entries_)
    if (std::none_of(header.begin(), header.end(), [&](const HeaderCell& cell) {
          return name_key(cell.text) == name_key(entry.name);
        }))
      return entry.name;
  return "";
}

std::string proposed_columns(const std::vector<HeaderCell>& header, const std::string& speed) {
  std::string out, units;
  std::vector<std::string> taken;
  bool guessed = false;
  for (const HeaderCell& cell : header) {
    if (cell.text.empty()) continue;
    if (const auto known = column_of_header(cell)) {
      taken.emplace_back(known->column->name);
      continue;
    }
    const Header parts = taken_apart(cell);
    std::string target = proposed_target(parts, speed);
    if (std::find(taken.begin(), taken.end(), target) != taken.end()) target.clear();
    out +=
        (out.empty() ? "" : ",") + on_one_line(cell.text) + "=" + (target.empty() ? "-" : target);
    if (target.empty()) continue;
    guessed = true;
    taken.push_back(target);
    if (parts.unit.empty()) continue;
    const char* const quantity = quantity_of(*column_named(target));
    const Unit* unit = unit_named(parts.unit, quantity);
    if (unit && (unit->factor != 1 || unit->offset != 0)) out += ":" + parts.unit;
    if (unit) continue;
    out += ":UNIT";
    units += fmt::format(" '{}' is no unit that is known of {}: put {} in place of UNIT.",
                         on_one_line(parts.unit), target, units_known(quantity));
  }
  if (guessed)
    return " If this is what they are, repeat with --columns " + quoted_for_shell(out) +
           (units.empty() ? "" : "." + units);
  if (taken.size() > 1)
    return " If they are not needed, repeat with --columns " + quoted_for_shell(out);
  return " Name them with --columns 'NAME=COLUMN:UNIT', or leave one out with 'NAME=-'.";
}

}  // namespace loadline
