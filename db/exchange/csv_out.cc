#include "db/exchange/csv_out.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "db/basis/units.h"
#include "db/care/shown.h"
#include "db/exchange/csv_in.h"
#include "db/schema/schema.h"
#include "db/sql/statement.h"
#include "db/sql/text.h"

namespace loadline {
namespace {

bool reads_as_formula(const std::string& text) {
  return !text.empty() && std::string("=+-@\t\r").find(text.front()) != std::string::npos;
}

std::string field_cell(const Part& part, const PartField& field) {
  if (field.type == PartField::Type::kText) return csv_text(part.text(field.name).value_or(""));
  const auto number = part.number(field.name);
  return number ? csv_number(*number) : "";
}

// The view `reading` has the first columns of all that are known.
constexpr int kViewColumns = 6;
const char* view_column(int i) { return reading_columns_known()[static_cast<std::size_t>(i)].name; }

// Which of the reading view's columns hold anything in this run.
std::vector<int> used_columns(const Book& book, std::int64_t run) {
  std::string counts;
  for (int i = 0; i < kViewColumns; ++i)
    counts += std::string(i > 0 ? ", " : "") + "count(" + view_column(i) + ")";
  Statement select(book.handle(), "SELECT " + counts + " FROM reading WHERE run_id = ?");
  select.with(run);
  select.step();
  std::vector<int> used;
  for (int i = 0; i < kViewColumns; ++i)
    if (select.whole(i) > 0) used.push_back(i);
  return used;
}

// A steady table as it can be imported again: without times, with the standard uncertainties.
std::int64_t export_steady(const Book& book, const Run& run, std::ostream& out) {
  const std::vector<ImportedReading> readings = book.readings(run.id);
  std::vector<ReadingColumn> used;
  for (const ReadingColumn& column : reading_columns_known()) {
    if (column.member == &ImportedReading::time_s) continue;
    if (std::any_of(readings.begin(), readings.end(), [&](const ImportedReading& reading) {
          return !std::isnan(reading.*column.member);
        }))
      used.push_back(column);
  }
  const auto line = [&](auto cell) {
    for (std::size_t i = 0; i < used.size(); ++i) out << (i > 0 ? "," : "") << cell(used[i]);
    out << "\n";
  };
  line([](const ReadingColumn& column) { return std::string(column.name); });
  for (const ImportedReading& reading : readings)
    line([&](const ReadingColumn& column) { return csv_number(reading.*column.member); });
  return static_cast<std::int64_t>(readings.size());
}

std::string optional_cell(const std::optional<double>& value) {
  return value ? csv_number(*value) : "";
}

std::string run_row(const Run& run, const PartNames& names) {
  std::string row =
      fmt::format("{},{},{},{},{},{}", run.id, run_kind_name(run.kind), run_state_name(run.state),
                  run_source_name(run.source), csv_text(run.started_utc), run.sample_count);
  for (const std::string& name :
       {names.of(PartKind::kRig, run.rig), names.of(PartKind::kMotor, run.motor),
        names.of(PartKind::kMachine, run.machine), names.of(PartKind::kBelt, run.belt),
        names.of(PartKind::kPulley, run.motor_pulley),
        names.of(PartKind::kPulley, run.hand_pulley)})
    row += "," + csv_text(name);
  row += run.slip_check ? fmt::format(",{}", run.slip_check) : ",";
  for (const auto& number : {run.inertia_kgm2, run.added_inertia_kgm2, run.supply_v})
    row += "," + optional_cell(number);
  return row + "," + csv_text(run.note) + "," + csv_text(run.uuid) + "," +
         csv_text(run.content_hash) + (run.steady ? ",yes," : ",no,") + csv_text(run.session) +
         "," + csv_text(run.aside) + "\n";
}

void write_curve(const StoredCurve& curve, const PartNames& names, std::ostream& out) {
  const PartKind kind = curve.of_machine ? PartKind::kMachine : PartKind::kMotor;
  const std::vector<Estimate> estimates = curve_estimates(curve);
  for (std::size_t i = 0; i < estimates.size(); ++i) {
    const Estimate& estimate = estimates[i];
    out << curve.id << "," << part_kind_name(kind) << "," << csv_text(names.of(kind, curve.subject))
        << "," << csv_text(curve.model) << "," << csv_text(curve.parameter_names[i]) << ","
        << optional_cell(estimate.value) << "," << optional_cell(estimate.low) << ","
        << optional_cell(estimate.high) << "," << csv_number(rpm_from_rad_per_s(curve.speed_low))
        << "," << csv_number(rpm_from_rad_per_s(curve.speed_high)) << ","
        << optional_cell(curve.supply_v) << "," << csv_number(curve.residual_rms) << ","
        << csv_text(curve.made_utc) << "," << csv_text(curve.uuid) << "\n";
  }
}

}  // namespace

std::string csv_text(const std::string& text) {
  const std::string shown = made_printable(text);  // an altered book gives a terminal no orders
  std::string cell = reads_as_formula(shown) ? "'" + shown : shown;
  if (cell.find_first_of(",\"\n\r") == std::string::npos) return cell;
  std::string quoted = "\"";
  for (const char c : cell) quoted += c == '"' ? std::string("\"\"") : std::string(1, c);
  return quoted + "\"";
}

std::string csv_number(double value) {
  return std::isnan(value) ? std::string() : fmt::format("{}", value);
}

std::int64_t export_run(const Book& book, std::int64_t run, std::ostream& out,
                        const std::function<void(double)>& progress) {
  if (const auto foreign = foreign_view(book.handle()))
    throw Error(Fault::kBook,
                fmt::format("the book {} holds a {} '{}' that Loadline did not make, so it was not "
                            "read; run 'loadline-db check' on it.",
                            book.path(), foreign->type, on_one_line(foreign->name)));
  const Run exported = book.run(run);
  if (exported.steady) return export_steady(book, exported, out);
  const std::vector<int> used = used_columns(book, run);
  if (used.size() < 2 || used.front() != 0)
    throw Error(Fault::kInput, fmt::format("run {} has no reading that could be written: it lacks "
                                           "the rig's clock rate or every channel.",
                                           run));
  std::string columns;
  for (const int i : used) columns += (columns.empty() ? "" : ",") + std::string(view_column(i));
  out << columns << "\n";
  Statement select(book.handle(), "SELECT " + columns + " FROM reading WHERE run_id = ?");
  select.with(run);
  constexpr std::int64_t kTellEvery = 4096;  // rows
  std::int64_t rows = 0;
  fmt::memory_buffer line;
  for (; select.step(); ++rows) {
    line.clear();
    if (progress && rows % kTellEvery == 0) progress(static_cast<double>(rows));
    for (std::size_t i = 0; i < used.size(); ++i) {
      if (i > 0) line.push_back(',');
      const double value = select.real(static_cast<int>(i));
      if (!std::isnan(value)) fmt::format_to(std::back_inserter(line), "{}", value);
    }
    line.push_back('\n');
    out.write(line.data(), static_cast<std::streamsize>(line.size()));
  }
  return rows;
}

std::int64_t export_parts(const Book& book, PartKind kind, std::ostream& out) {
  out << "name";
  for (const PartField& field : part_fields(kind)) out << "," << field.name;
  out << ",note,uuid\n";
  const std::vector<Part> parts = book.parts(kind);
  for (const Part& part : parts) {
    out << csv_text(part.name);
    for (const PartField& field : part_fields(kind)) out << "," << field_cell(part, field);
    out << "," << csv_text(part.note) << "," << csv_text(part.uuid) << "\n";
  }
  return static_cast<std::int64_t>(parts.size());
}

std::int64_t export_runs(const Book& book, std::ostream& out) {
  out << "run,kind,state,source,started_utc,samples,rig,motor,machine,belt,motor_pulley,"
         "hand_pulley,slip_check,inertia_kgm2,added_inertia_kgm2,supply_v,note,uuid,content_hash,"
         "steady,session,aside\n";
  const PartNames names(book);
  const std::vector<Run> runs = book.runs();
  for (const Run& run : runs) out << run_row(run, names);
  return static_cast<std::int64_t>(runs.size());
}

std::int64_t export_curves(const Book& book, std::ostream& out) {
  out << "curve,kind,subject,model,parameter,value_si,low_si,high_si,from_rpm,to_rpm,supply_v,"
         "residual_rms_nm,made_utc,uuid\n";
  const PartNames names(book);
  const std::vector<StoredCurve> curves = book.curves();
  for (const StoredCurve& curve : curves) write_curve(curve, names, out);
  return static_cast<std::int64_t>(curves.size());
}

}  // namespace loadline
