// The page: one HTML file that opens anywhere, offline, and asks nobody for anything.
//
// Everything that came from a person or a file is escaped on its way in; the content security
// policy allows only the scripts and styles that the page was written with.
#pragma once

#include <array>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "fit/report/plots/plot.h"
#include "fit/report/plots/table.h"

namespace loadline {

/// Collects a page from top to bottom. Plots and tables are kept for --svg and --csv as well.
class Page {
 public:
  /// What everyone reads, and two parts that stay folded until somebody opens them; a part that
  /// nothing was put into is left out.
  enum class Part { kFront, kDrawings, kExpert };

  /// Texts come in English and are said in `language`; title and subtitle come as they are to be.
  Page(std::string title, std::string subtitle, Language language = {});
  const Language& language() const { return language_; }

  /// What follows is put into this part, behind what is there.
  void turn_to(Part part);
  /// Starts a section that the contents list (of the front) or the fold lists; `id` is [a-z0-9-]
  /// and unique.
  void section(const std::string& id, const std::string& heading);
  void heading(const std::string& text);
  /// A heading that is a part's name.
  void named_heading(const std::string& name);
  /// A paragraph of plain text (escaped); nothing for an empty one.
  void paragraph(const std::string& text);
  /// The first paragraph of an answer, set to be read first.
  void verdict(const std::string& text);
  /// A list of plain sentences in a box of its own; nothing for an empty list.
  /// `said`: the sentences stand in the page's language already.
  void cautions(const std::string& heading, const std::vector<std::string>& sentences,
                bool said = false);
  /// The same without a box.
  void list(const std::vector<std::string>& sentences);
  /// What people wrote, as it is.
  void quotes(const std::vector<std::string>& texts);
  void figures(const std::vector<std::pair<std::string, Estimate>>& key_figures);
  void plot(Plot plot);
  void table(Table table);
  /// Markup of ours, already safe.
  void html(const std::string& markup);
  /// Data for report.js under `name`: a <script type="application/json">.
  void data(const std::string& name, const Json& document);

  std::string finish() const;
  const std::vector<Plot>& plots() const { return plots_; }
  const std::vector<Table>& tables() const { return tables_; }

 private:
  struct Content {
    std::string contents, body;
    bool in_section = false;
  };
  Content& here() { return content_[static_cast<std::size_t>(part_)]; }
  std::string fold(Part part, const char* id, const char* summary, const char* words) const;
  /// Said in the page's language and safe in HTML.
  std::string said(const std::string& english) const;

  std::string title_, subtitle_;
  Language language_;
  std::array<Content, 3> content_;
  Part part_ = Part::kFront;
  std::vector<Plot> plots_;
  std::vector<Table> tables_;
};

/// Lower-case ASCII letters, digits and single hyphens made of `name`, with `number` to keep it
/// unique: what ids and file names may hold.
std::string slug(const std::string& name, std::size_t number);

}  // namespace loadline
