// Book: calibrations, curves, documents.
#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "db/sql/text.h"
#include "db/store/book_state.h"

namespace loadline {
namespace {

using nlohmann::json;

constexpr const char* kCalibrationColumns =
    "id, uuid, rig_id, slope_n_per_count, slope_sd_n_per_count, curvature_n_per_count2, "
    "curvature_sd_n_per_count2, slope_curvature_correlation, zero_counts, arm_m, arm_sd_m, "
    "residual_sd_n, degrees_of_freedom, local_g_m_per_s2, points_json, reason, made_utc";

Calibration read_calibration(const Statement& row) {
  return {row.whole(0), row.text(1),  row.whole(2), row.real(3),  row.real(4),  row.real(5),
          row.real(6),  row.real(7),  row.real(8),  row.real(9),  row.real(10), row.real(11),
          row.real(12), row.real(13), row.text(14), row.text(15), row.text(16)};
}

constexpr const char* kCurveColumns =
    "id, uuid, motor_id, machine_id, model, parameter_names, parameters, covariance, "
    "degrees_of_freedom, speed_low_rad_per_s, speed_high_rad_per_s, supply_v, residual_rms_nm, "
    "details_json, program_version, made_utc";

double number_of(const json& value) {
  return value.is_number() ? value.get<double>() : std::numeric_limits<double>::quiet_NaN();
}

std::vector<double> numbers_of(const json& array) {
  std::vector<double> out;
  for (const json& value : array) out.push_back(number_of(value));
  return out;
}

json rows_of(const Covariance& matrix) {
  json rows = json::array();
  for (std::size_t i = 0; i < matrix.size; ++i) {
    json row = json::array();
    for (std::size_t j = 0; j < matrix.size; ++j) row.push_back(matrix(i, j));
    rows.push_back(std::move(row));
  }
  return rows;
}

Covariance matrix_of(const json& rows) {
  for (const json& row : rows)
    if (!row.is_array() || row.size() != rows.size()) return {};
  Covariance matrix(rows.size());
  for (std::size_t i = 0; i < matrix.size; ++i) {
    const json& row = rows.at(i);
    for (std::size_t j = 0; j < matrix.size; ++j) matrix(i, j) = number_of(row.at(j));
  }
  return matrix;
}

bool has_one_size(const StoredCurve& curve) {
  return curve.parameter_names.size() == curve.parameters.size() &&
         curve.covariance.size == curve.parameters.size();
}

void parse_curve_numbers(sqlite3* db, const Statement& row, StoredCurve& curve) {
  bool is_whole = false;
  try {
    curve.parameter_names = json::parse(row.text(5)).get<std::vector<std::string>>();
    curve.parameters = numbers_of(json::parse(row.text(6)));
    curve.covariance = matrix_of(json::parse(row.text(7)));
    is_whole = has_one_size(curve);
  } catch (const json::exception&) {
  }
  if (is_whole) return;
  throw Damaged(db, fmt::format("curve {} in the book is damaged; fit it again.", curve.id));
}

StoredCurve read_curve(sqlite3* db, const Statement& row) {
  StoredCurve curve;
  curve.id = row.whole(0);
  curve.uuid = row.text(1);
  curve.of_machine = row.is_null(2);
  curve.subject = curve.of_machine ? row.whole(3) : row.whole(2);
  curve.model = row.text(4);
  parse_curve_numbers(db, row, curve);
  curve.degrees_of_freedom = row.real(8);
  curve.speed_low = row.real(9);
  curve.speed_high = row.real(10);
  curve.supply_v = row.optional_real(11);
  curve.residual_rms = row.real(12);
  curve.details_json = row.text(13);
  curve.program_version = row.text(14);
  curve.made_utc = row.text(15);
  Statement runs(db, "SELECT run_id FROM curve_run WHERE curve_id = ? ORDER BY run_id");
  runs.with(curve.id);
  while (runs.step()) curve.runs.push_back(runs.whole(0));
  return curve;
}

void require_words(const Calibration& calibration) {
  if (!calibration.uuid.empty()) require_uuid(calibration.uuid, "the calibration");
  require_note(calibration.reason, "the reason of the calibration");
  require_note(calibration.made_utc, "the time of the calibration");
  if (!calibration.points_json.empty() && !json::accept(calibration.points_json))
    throw Error(Fault::kInput, "the points of the calibration are not valid JSON.");
}

void require_words(const StoredCurve& curve) {
  if (!curve.uuid.empty()) require_uuid(curve.uuid, "the curve");
  require_note(curve.model, "the model of the curve");
  for (const std::string& name : curve.parameter_names)
    require_note(name, "a parameter's name of the curve");
  require_note(curve.program_version, "the version of the program that fitted the curve");
  require_note(curve.made_utc, "the time of the curve");
  if (!curve.details_json.empty() && !json::accept(curve.details_json))
    throw Error(Fault::kInput, "the details of the curve are not valid JSON.");
}

void require_shape(const StoredCurve& curve) {
  if (!has_one_size(curve))
    throw std::logic_error("a curve's names, parameters and covariance must have one size");
}

}  // namespace

std::int64_t Book::add_calibration(const Calibration& c) {
  require_words(c);
  Scope scope(handle(), state_->writers);
  Statement insert(
      handle(),
      "INSERT INTO calibration (uuid, rig_id, slope_n_per_count, slope_sd_n_per_count, "
      "curvature_n_per_count2, curvature_sd_n_per_count2, slope_curvature_correlation, "
      "zero_counts, arm_m, arm_sd_m, residual_sd_n, degrees_of_freedom, local_g_m_per_s2, "
      "points_json, reason, made_utc) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)");
  insert
      .with(c.uuid.empty() ? new_uuid() : c.uuid, c.rig, c.slope_n_per_count, c.slope_sd,
            c.curvature_n_per_count2, c.curvature_sd, c.slope_curvature_correlation, c.zero_counts,
            c.arm_m, c.arm_sd_m, c.residual_sd_n, c.degrees_of_freedom, c.local_g,
            c.points_json.empty() ? std::string("[]") : c.points_json, c.reason,
            c.made_utc.empty() ? utc_now() : c.made_utc)
      .run();
  const std::int64_t id = sqlite3_last_insert_rowid(handle());
  scope.commit();
  return id;
}

std::vector<Calibration> Book::calibrations(std::int64_t rig) const {
  Statement select(handle(), fmt::format("SELECT {} FROM calibration WHERE rig_id = ? "
                                         "ORDER BY made_utc, id",
                                         kCalibrationColumns));
  select.with(rig);
  std::vector<Calibration> calibrations;
  while (select.step()) calibrations.push_back(read_calibration(select));
  return calibrations;
}

std::optional<Calibration> Book::latest_calibration(std::int64_t rig) const {
  Statement select(handle(), fmt::format("SELECT {} FROM calibration WHERE rig_id = ? "
                                         "ORDER BY made_utc DESC, id DESC LIMIT 1",
                                         kCalibrationColumns));
  select.with(rig);
  if (!select.step()) return std::nullopt;
  return read_calibration(select);
}

std::int64_t Book::add_curve(const StoredCurve& curve) {
  require_shape(curve);
  require_words(curve);
  Scope scope(handle(), state_->writers);
  Statement insert(
      handle(),
      fmt::format("INSERT INTO curve (uuid, {}, model, parameter_names, parameters, covariance, "
                  "degrees_of_freedom, speed_low_rad_per_s, speed_high_rad_per_s, supply_v, "
                  "residual_rms_nm, details_json, program_version, made_utc) "
                  "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                  curve.of_machine ? "machine_id" : "motor_id"));
  insert
      .with(curve.uuid.empty() ? new_uuid() : curve.uuid, curve.subject, curve.model,
            json(curve.parameter_names).dump(), json(curve.parameters).dump(),
            rows_of(curve.covariance).dump(), curve.degrees_of_freedom, curve.speed_low,
            curve.speed_high, curve.supply_v, curve.residual_rms,
            curve.details_json.empty() ? std::string("{}") : curve.details_json,
            curve.program_version.empty() ? std::string(LOADLINE_VERSION) : curve.program_version,
            curve.made_utc.empty() ? utc_now() : curve.made_utc)
      .run();
  const std::int64_t id = sqlite3_last_insert_rowid(handle());
  Statement source(handle(), "INSERT OR IGNORE INTO curve_run (curve_id, run_id) VALUES (?, ?)");
  for (const std::int64_t run : curve.runs) source.with(id, run).run();
  scope.commit();
  return id;
}

std::optional<StoredCurve> Book::latest_curve(bool of_machine, std::int64_t subject) const {
  Statement select(handle(), fmt::format("SELECT {} FROM curve WHERE {} = ? "
                                         "ORDER BY made_utc DESC, id DESC LIMIT 1",
                                         kCurveColumns, of_machine ? "machine_id" : "motor_id"));
  select.with(subject);
  if (!select.step()) return std::nullopt;
  return read_curve(handle(), select);
}

std::vector<StoredCurve> Book::curves() const {
  Statement select(handle(), fmt::format("SELECT {} FROM curve ORDER BY id", kCurveColumns));
  std::vector<StoredCurve> curves;
  while (select.step()) curves.push_back(read_curve(handle(), select));
  return curves;
}

StoredCurve curve_of_number(const Book& book, std::int64_t id) {
  Statement select(book.handle(), fmt::format("SELECT {} FROM curve WHERE id = ?", kCurveColumns));
  select.with(id);
  if (!select.step())
    throw Error(Fault::kInput, fmt::format("there is no curve {} in the book {}; 'loadline-db list "
                                           "curves' shows them.",
                                           id, book.path()));
  return read_curve(book.handle(), select);
}

std::optional<std::string> Book::document(const std::string& name) const {
  Statement select(handle(), "SELECT json FROM document WHERE name = ?");
  select.with(name);
  if (!select.step()) return std::nullopt;
  return select.text(0);
}

void Book::put_document(const std::string& name, const std::string& json_text) {
  require_name(name, "the document's name");
  if (!json::accept(json_text))
    throw Error(Fault::kInput, fmt::format("the document '{}' is not valid JSON.", name));
  Statement insert(handle(),
                   "INSERT INTO document (name, json, changed_utc) VALUES (?1, ?2, ?3) "
                   "ON CONFLICT (name) DO UPDATE SET json = ?2, changed_utc = ?3");
  insert.with(name, json_text, utc_now()).run();
}

std::vector<std::string> Book::document_names(const std::string& prefix) const {
  Statement select(handle(),
                   "SELECT name FROM document WHERE substr(name, 1, length(?1)) = ?1 "
                   "ORDER BY name");
  select.with(prefix);
  std::vector<std::string> names;
  while (select.step()) names.push_back(select.text(0));
  return names;
}

}  // namespace loadline
