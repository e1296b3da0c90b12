#include "fit/report/pages/page.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <random>

#include "db/basis/web.h"
#include "fit/report/pages/words.h"

namespace loadline {

extern const std::string_view kReportCss;
extern const std::string_view kReportJs;

namespace {

// Marks our own scripts and styles for the content security policy; nobody can know it before the
// file is written, so no name in the book can smuggle a script in.
std::string fresh_nonce() {
  std::random_device random;
  return fmt::format("{:08x}{:08x}{:08x}{:08x}", random(), random(), random(), random());
}

// A bar with the interval as its width, so that a loose number looks loose.
std::string interval_bar(const Estimate& estimate) {
  if (!estimate.value || !estimate.low || !estimate.high || *estimate.value == 0) return "";
  const double size = std::abs(*estimate.value);
  const auto place = [&](double x) {
    return std::clamp(50 + 250 * (x - *estimate.value) / size, 1.0, 99.0);
  };
  const double low = place(*estimate.low), high = place(*estimate.high);
  return fmt::format(
      "<svg class=\"bar\" viewBox=\"0 0 100 8\" preserveAspectRatio=\"none\" aria-hidden=\"true\">"
      "<path class=\"rule\" d=\"M0 4H100\"/><rect class=\"c1\" x=\"{:.1f}\" y=\"1.5\" "
      "width=\"{:.1f}\" height=\"5\" rx=\"1\"/></svg>",
      low, std::max(high - low, 1.2));
}

std::string key_shape(const Series& series) {
  switch (series.look) {
    case Series::Look::kLine:
      return fmt::format("<path class=\"line {}\" d=\"M0 6H30\"/>", dash_class(series.dash));
    case Series::Look::kCrosses:
      return "<path class=\"whisker\" d=\"M12 3l6 6m0 -6l-6 6\"/>";
    case Series::Look::kPoints:
      return "<circle class=\"mark\" cx=\"15\" cy=\"6\" r=\"2\"/>";
    case Series::Look::kMark:
      break;
  }
  return "<circle class=\"mark\" cx=\"15\" cy=\"6\" r=\"5\"/>";
}

// What each look in a plot stands for; on paper the picture carries its own.
std::string key(const Plot& plot) {
  std::string out = "<ul class=\"key\">";
  for (const Series& series : plot.series) {
    if (series.name.empty()) continue;
    const std::string shape = key_shape(series);
    out += fmt::format(
        "<li><svg class=\"c{}\" width=\"30\" height=\"12\" aria-hidden=\"true\">{}</svg>{}</li>",
        series.colour, shape, html_escape(series.name));
  }
  return out + "</ul>";
}

std::string script_data(const std::string& name, const Json& document) {
  return fmt::format("<script type=\"application/json\" id=\"data-{}\">{}</script>\n", name,
                     script_json(document.dump(-1, ' ', false, Json::error_handler_t::replace)));
}

// What report.js says by itself.
Json words_of_script(const Language& language) {
  Json words = Json::object();
  for (const char* word : {"unknown", "to", "extrapolated"}) words[word] = language.words(word);
  return words;
}

}  // namespace

Page::Page(std::string title, std::string subtitle, Language language)
    : title_(std::move(title)), subtitle_(std::move(subtitle)), language_(std::move(language)) {}

std::string Page::said(const std::string& english) const {
  return html_escape(language_.words(english));
}

void Page::turn_to(Part part) { part_ = part; }

void Page::section(const std::string& id, const std::string& heading) {
  Content& content = here();
  if (content.in_section) content.body += "</section>\n";
  content.in_section = true;
  content.contents += fmt::format("<li><a href=\"#{}\">{}</a></li>", id, said(heading));
  content.body += fmt::format("<section id=\"{}\"><h2>{}</h2>\n", id, said(heading));
}

void Page::heading(const std::string& text) {
  here().body += fmt::format("<h3>{}</h3>\n", said(text));
}

void Page::named_heading(const std::string& name) {
  here().body += fmt::format("<h3>{}</h3>\n", html_escape(name));
}

void Page::paragraph(const std::string& text) {
  if (text.empty()) return;
  here().body += fmt::format("<p>{}</p>\n", html_escape(as_sentence(language_.words(text))));
}

void Page::verdict(const std::string& text) {
  here().body +=
      fmt::format("<p class=\"verdict\">{}</p>\n", html_escape(as_sentence(language_.words(text))));
}

void Page::cautions(const std::string& heading, const std::vector<std::string>& sentences,
                    bool said_already) {
  if (sentences.empty()) return;
  here().body += fmt::format("<div class=\"caution\"><h3>{}</h3><ul>", said(heading));
  for (const std::string& sentence : sentences)
    here().body +=
        fmt::format("<li>{}</li>",
                    html_escape(as_sentence(said_already ? sentence : language_.words(sentence))));
  here().body += "</ul></div>\n";
}

void Page::list(const std::vector<std::string>& sentences) {
  if (sentences.empty()) return;
  here().body += "<ul>";
  for (const std::string& sentence : sentences)
    here().body += fmt::format("<li>{}</li>", html_escape(as_sentence(language_.words(sentence))));
  here().body += "</ul>\n";
}

void Page::quotes(const std::vector<std::string>& texts) {
  here().body += "<ul>";
  for (const std::string& text : texts)
    here().body += fmt::format("<li>{}</li>", html_escape(text));
  here().body += "</ul>\n";
}

void Page::figures(const std::vector<std::pair<std::string, Estimate>>& key_figures) {
  here().body += "<dl class=\"figures\">";
  for (const auto& [name, estimate] : key_figures)
    here().body += fmt::format("<div><dt>{}</dt><dd>{}{}</dd></div>", said(name),
                               estimate_html(estimate, true, language_), interval_bar(estimate));
  here().body += "</dl>\n";
}

void Page::plot(Plot english) {
  Plot plot = translated(std::move(english), language_);
  here().body += fmt::format(
      "<figure class=\"plot\" id=\"plot-{0}\" data-plot=\"{0}\"><figcaption><strong>{1}</strong> "
      "{2}</figcaption>{3}<div class=\"screen\" hidden><canvas tabindex=\"0\" role=\"img\" "
      "aria-label=\"{1}. {2} {5}\"></canvas></div>{4}"
      "<p class=\"readout\" aria-live=\"polite\"></p></figure>\n",
      plot.id, html_escape(plot.title), html_escape(plot.words), to_svg(plot, false, language_),
      key(plot), said("Arrow keys read the curve."));
  data("plot-" + plot.id, to_chart(plot));
  plots_.push_back(std::move(plot));
}

void Page::table(Table table) {
  here().body += to_html(table, language_);
  tables_.push_back(std::move(table));
}

void Page::html(const std::string& markup) { here().body += markup; }

void Page::data(const std::string& name, const Json& document) {
  here().body += script_data(name, document);
}

std::string Page::fold(Part part, const char* id, const char* summary, const char* words) const {
  const Content& content = content_[static_cast<std::size_t>(part)];
  if (content.body.empty()) return "";
  std::string out = fmt::format(
      "<details class=\"fold\" id=\"{}\"><summary><strong>{}</strong>: {}. <span "
      "class=\"screen-only\">{}</span></summary>\n",
      id, said(summary), said(words), said("Open it here; it is printed only when it is open."));
  if (!content.contents.empty())
    out +=
        fmt::format("<nav aria-label=\"{}\"><ol>{}</ol></nav>\n", said(summary), content.contents);
  return out + content.body + (content.in_section ? "</section>\n" : "") + "</details>\n";
}

std::string Page::finish() const {
  const std::string nonce = fresh_nonce();
  std::string out = fmt::format(
      "<!doctype html>\n<html lang=\"{}\">\n<head>\n<meta charset=\"utf-8\">\n", language_.code());
  out += fmt::format(
      "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; script-src "
      "'nonce-{0}'; style-src 'nonce-{0}'; img-src data:; base-uri 'none'; form-action 'none'\">\n"
      "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
      "<meta name=\"color-scheme\" content=\"light dark\">\n<meta name=\"generator\" "
      "content=\"loadline-fit {1}\">\n<link rel=\"icon\" href=\"data:,\">\n<title>{2}</title>\n"
      "<style nonce=\"{0}\">",
      nonce, LOADLINE_VERSION, html_escape(title_));
  out += kReportCss;
  const Content& front = content_[0];
  const std::string drawings = fold(Part::kDrawings, "drawings", "Parts drawn to scale",
                                    "pulleys, belts, and how they lie in their grooves");
  const std::string expert =
      fold(Part::kExpert, "expert", "For the expert",
           "readings, residuals, coefficients, uncertainty budgets, runs and calibrations");
  std::string folds;
  const auto entry = [&](const char* id, const char* words) {
    folds += fmt::format("<li><a href=\"#{}\">{}</a></li>", id, said(words));
  };
  if (!drawings.empty()) entry("drawings", "Parts drawn to scale");
  if (!expert.empty()) entry("expert", "For the expert");
  out += fmt::format(
      "</style>\n</head>\n<body>\n<header><h1>{}</h1><p>{}</p></header>\n<nav "
      "aria-label=\"{}\"><ol>{}{}</ol></nav>\n<main>\n",
      html_escape(title_), html_escape(subtitle_), said("Contents"), front.contents, folds);
  out += front.body;
  if (front.in_section) out += "</section>\n";
  out += drawings + expert;
  out += script_data("words", words_of_script(language_));
  out += fmt::format("</main>\n<script nonce=\"{}\">", nonce);
  out += kChartJs;
  out += fmt::format("</script>\n<script nonce=\"{}\">", nonce);
  out += kReportJs;
  return out + "</script>\n</body>\n</html>\n";
}

std::string slug(const std::string& name, std::size_t number) {
  std::string out;
  for (const char c : name) {
    const bool letter = (c >= 'a' && c <= 'z') || (c >= '0' && c <= '9');
    const bool upper = c >= 'A' && c <= 'Z';
    if (letter || upper)
      out += upper ? static_cast<char>(c - 'A' + 'a') : c;
    else if (!out.empty() && out.back() != '-')
      out += '-';
    if (out.size() > 40) break;
  }
  while (!out.empty() && out.back() == '-') out.pop_back();
  return fmt::format("{}{}{}", out, out.empty() ? "" : "-", number);
}

}  // namespace loadline
