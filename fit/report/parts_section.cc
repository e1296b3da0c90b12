#include <fmt/format.h>

#include <algorithm>
#include <cctype>

#include "db/basis/web.h"
#include "fit/belts/grooves/seat.h"
#include "fit/report/pages/sections.h"
#include "fit/report/pages/words.h"
#include "fit/report/plots/drawing.h"

namespace loadline {
namespace {

constexpr std::size_t kMostSeats = 24;

// "shaft-mm" in words: "shaft" and its unit "mm".
struct FieldWords {
  std::string heading, unit;
};
FieldWords field_words(const PartField& field) {
  static const std::pair<const char*, const char*> kUnits[] = {
      {"-mm", "mm"}, {"-deg", "°"}, {"-kgm2", "kg·m²"},  {"-rpm", "rpm"},
      {"-hz", "Hz"}, {"-ohm", "Ω"}, {"-g-per-m", "g/m"}, {"-v", "V"},
      {"-w", "W"},   {"-a", "A"},   {"-s", "s"},
  };
  FieldWords words{field.name, ""};
  if (field.type == PartField::Type::kNumber) {
    for (const auto& [ending, unit] : kUnits) {
      if (!words.heading.ends_with(ending)) continue;
      words.heading.resize(words.heading.size() - std::string_view(ending).size());
      words.unit = unit;
      break;
    }
  }
  std::replace(words.heading.begin(), words.heading.end(), '-', ' ');
  words.heading[0] = static_cast<char>(std::toupper(static_cast<unsigned char>(words.heading[0])));
  return words;
}

Cell field_cell(const Part& part, const PartField& field) {
  if (field.type == PartField::Type::kNumber) {
    const auto number = part.number(field.name);
    return number ? Cell(*number) : Cell("");
  }
  return part.text(field.name).value_or("");
}

bool recorded(const Part& part, const PartField& field) {
  return part.fields.count(field.name) > 0;
}

void parts_table(Page& page, PartKind kind, const char* caption, const std::vector<Part>& parts) {
  Table table{fmt::format("{}s", part_kind_name(kind)), caption, {{"Name", "", false}}, {}};
  std::vector<const PartField*> fields;
  for (const PartField& field : part_fields(kind)) {
    if (std::none_of(parts.begin(), parts.end(),
                     [&](const Part& part) { return recorded(part, field); }))
      continue;
    fields.push_back(&field);
    const FieldWords words = field_words(field);
    table.columns.push_back(
        {words.heading, words.unit, false, field.type == PartField::Type::kText});
  }
  table.columns.push_back({"Note", "", false});
  for (const Part& part : parts) {
    std::vector<Cell> row{part.name};
    for (const PartField* field : fields) row.push_back(field_cell(part, *field));
    row.push_back(part.note);
    table.rows.push_back(std::move(row));
  }
  page.table(without_empty_columns(std::move(table)));
}

void drawings(Page& page, const std::vector<Part>& parts, double scale) {
  std::string figures;
  for (const Part& part : parts)
    if (const auto figure = drawing(part, scale, page.language())) figures += *figure;
  if (!figures.empty()) page.html("<div class=\"drawings\">" + figures + "</div>\n");
}

// The section of `whole` between its style sheet and its end: ours styles it instead.
std::string without_style(std::string whole) {
  const std::size_t begin = whole.find("<style>"), end = whole.find("</style>");
  if (begin != std::string::npos && end != std::string::npos)
    whole.erase(begin, end + std::string("</style>").size() - begin);
  return whole;
}

// What the drawing says, in the page's language.
std::string said_in(const std::string& svg, const Language& language) {
  std::string out;
  for (std::size_t at = 0; at < svg.size();) {
    const std::size_t open = std::min(svg.find("<t", at), svg.size());  // <title>, <text …>
    const std::size_t from = std::min(svg.find('>', open), svg.size() - 1) + 1;
    const std::size_t end = std::min(svg.find('<', from), svg.size());
    out += svg.substr(at, from - at);
    if (open < svg.size()) out += language.words(svg.substr(from, end - from));
    at = open < svg.size() ? end : svg.size();
  }
  return out;
}

std::optional<std::string> seat_figure(const Part& belt, const Part& pulley,
                                       const Language& language) {
  std::string missing;
  const auto section = section_of(belt, missing);
  const auto groove = groove_of(pulley, missing);
  if (!section || !groove) return std::nullopt;
  try {
    const Seat seated = seat(*section, *groove);
    return fmt::format(
        "<figure class=\"drawing seat\">{}<figcaption><strong>{}</strong>{} {}"
        "</figcaption></figure>\n",
        said_in(without_style(seat_drawing(*section, *groove, seated)), language),
        html_escape(language.words(fmt::format("Belt {} in pulley {}", belt.name, pulley.name))),
        html_escape(as_sentence(language.words(seated.reason))),
        html_escape(language.words("Scale 10 : 1.")));
  } catch (const Error&) {
    return std::nullopt;  // sizes that make no groove; `loadline-fit groove` says which
  }
}

void seats(Page& page, const Book& book) {
  std::string figures;
  std::size_t count = 0;
  for (const Part& belt : book.parts(PartKind::kBelt))
    for (const Part& pulley : book.parts(PartKind::kPulley))
      if (count < kMostSeats)
        if (const auto figure = seat_figure(belt, pulley, page.language())) {
          figures += *figure;
          ++count;
        }
  if (figures.empty()) return;
  page.heading("Belts in their grooves");
  page.html("<div class=\"drawings\">" + figures + "</div>\n");
}

}  // namespace

void parts_section(Page& page, const Book& book) {
  struct Kind {
    PartKind kind;
    const char* caption;
    double scale;
  };
  static constexpr Kind kKinds[] = {{PartKind::kMotor, "Motors", 1},
                                    {PartKind::kMachine, "Machines", 1},
                                    {PartKind::kPulley, "Pulleys", 1},
                                    {PartKind::kBelt, "Belts", 4}};
  bool begun = false;
  for (const Kind& one : kKinds) {
    const std::vector<Part> parts = book.parts(one.kind);
    if (parts.empty()) continue;
    if (!begun) {
      page.turn_to(Page::Part::kExpert);
      page.section("parts", "Parts");
      page.turn_to(Page::Part::kDrawings);
      page.paragraph(
          "Drawings show the cut through the rim of a pulley and the section of a belt, to the "
          "scale said below each. Printed without 'fit to page' a pulley lies on its drawing.");
      begun = true;
    }
    page.turn_to(Page::Part::kExpert);
    parts_table(page, one.kind, one.caption, parts);
    page.turn_to(Page::Part::kDrawings);
    drawings(page, parts, one.scale);
  }
  if (begun) seats(page, book);
  page.turn_to(Page::Part::kFront);
}

}  // namespace loadline
