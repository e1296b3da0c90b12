// Motors, machines and belts over their sessions, where the book holds two or more.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "fit/history/history.h"
#include "fit/report/pages/sections.h"
#include "fit/report/pages/words.h"

namespace loadline {
namespace {

constexpr double kDaysOfYear = 365.2425;

struct Drawn {
  double first = 0;  // day of the first session
  double low = 0, high = 0;
  double years(const std::string& date) const {
    return (day_of(date).value_or(first) - first) / kDaysOfYear;
  }
};

Series evenings(const History& history, Drawn& drawn) {
  Series series;
  series.name = "Session, 95 %";
  series.look = Series::Look::kMark;
  series.colour = history.kind == PartKind::kMotor ? 1 : 3;
  for (const HistorySession& session : history.sessions) {
    if (!session.value.value) continue;
    const double value = *session.value.value;
    series.x.push_back(drawn.years(session.started_utc));
    series.y.push_back(value);
    series.low.push_back(session.value.low.value_or(value));
    series.high.push_back(session.value.high.value_or(value));
  }
  drawn.low = *std::min_element(series.low.begin(), series.low.end());
  drawn.high = *std::max_element(series.high.begin(), series.high.end());
  return series;
}

// An upright line over the whole height.
Series upright(const HistoryChange& change, const Drawn& drawn) {
  Series line;
  line.named = change.event.has_value();
  line.name = change.event ? fmt::format("{}, {}", *change.event, change.on)
                           : fmt::format("Change found, {}", change.on);
  line.colour = change.event ? 6 : 2;
  line.dash = change.event ? Series::Dash::kDashed : Series::Dash::kDotted;
  line.x = {drawn.years(change.on), drawn.years(change.on)};
  line.y = {drawn.low, drawn.high};
  return line;
}

// All events that fall among the sessions, whether they can be judged or not.
std::vector<HistoryChange> marked(const History& history) {
  std::vector<HistoryChange> all = history.changes;
  for (const PartEvent& event : history.events) {
    const bool judged = std::any_of(all.begin(), all.end(), [&](const HistoryChange& change) {
      return change.event == event.what && change.on == event.on_date;
    });
    if (!judged) all.push_back({event.on_date, Estimate::unknown("%"), event.what, false});
  }
  return all;
}

Plot history_plot(const History& history, const std::string& id) {
  Drawn drawn;
  drawn.first = day_of(history.sessions.front().started_utc).value_or(0);
  Plot plot;
  plot.id = "history-" + id;
  plot.title = fmt::format("{} over its sessions", history.name);
  plot.words =
      "Each mark is one evening with its 95 % limits; an upright line is something that was done, "
      "or a change found.";
  plot.x.quantity =
      fmt::format("Time since {}", history.sessions.front().started_utc.substr(0, 10));
  plot.x.unit = "years";
  plot.y.quantity = history.figure;
  plot.y.quantity[0] = static_cast<char>(plot.y.quantity[0] - 'a' + 'A');
  plot.y.unit = history.sessions.front().value.unit;
  plot.series.push_back(evenings(history, drawn));
  const double last = plot.series.front().x.back();
  const double room = std::max(0.02, 0.05 * last);
  plot.x.low = -room;
  plot.x.high = last + room;
  for (const HistoryChange& change : marked(history)) {
    const double at = drawn.years(change.on);
    if (at > -room && at < last + room) plot.series.push_back(upright(change, drawn));
  }
  return plot;
}

void sessions_table(Page& page, const History& history, const std::string& id) {
  const std::string& unit = history.sessions.front().value.unit;
  Table table{
      "history-" + id,
      fmt::format("Sessions of {}: {}", history.name, history.figure),
      {{"Session", "", false}, {"Value", unit, true}, {"Runs", "", false}, {"Label", "", false}},
      {}};
  for (const HistorySession& session : history.sessions)
    table.rows.push_back({session.started_utc.substr(0, 10), session.value,
                          fmt::format("{}", fmt::join(session.runs, ", ")), session.label});
  page.table(without_empty_columns(std::move(table)));
}

void changes_table(Page& page, const History& history, const std::string& id) {
  if (history.changes.empty()) return;
  Table table{"changes-" + id,
              fmt::format("What changed {}", history.name),
              {{"On", "", false}, {"What", "", false}, {"Changed it by", "%", true}},
              {}};
  for (const HistoryChange& change : history.changes)
    table.rows.push_back(
        {change.on,
         change.event.value_or(page.language().words("found in the sessions; nothing is entered")),
         change.percent});
  page.table(std::move(table));
}

void one_subject(Page& page, const History& history, std::size_t number) {
  const std::string id =
      fmt::format("{}-{}", part_kind_name(history.kind), slug(history.name, number));
  std::string heading = part_kind_name(history.kind);
  heading[0] = static_cast<char>(heading[0] - 'a' + 'A');
  page.heading(heading + " " + history.name);
  page.paragraph(summary_of(history));
  page.figures({{"From session to session", history.between_sessions_percent},
                {"Trend", history.trend_percent_per_year},
                {"Another evening", history.another_evening}});
  page.plot(history_plot(history, id));
  changes_table(page, history, id);
  page.turn_to(Page::Part::kExpert);
  if (number == 1) page.section("sessions", "Sessions");
  sessions_table(page, history, id);
  page.turn_to(Page::Part::kFront);
}

std::vector<Part> parts_of(const Book& book, const Subjects& subjects) {
  std::vector<Part> parts;
  for (const Subject& motor : subjects.motors) parts.push_back(motor.part);
  std::set<std::int64_t> belts;
  for (const Subject& machine : subjects.machines) {
    parts.push_back(machine.part);
    RunFilter filter;
    filter.kind = RunKind::kTopSpeed;
    filter.machine = machine.part.id;
    for (const Run& run : book.runs(filter))
      if (run.belt && belts.insert(run.belt).second)
        parts.push_back(book.part(PartKind::kBelt, run.belt));
  }
  return parts;
}

}  // namespace

void history_section(Page& page, const Book& book, const Subjects& subjects) {
  std::size_t number = 0;
  for (const Part& part : parts_of(book, subjects)) {
    if (sessions_of(book, part).size() < 2) continue;
    try {
      const History history = history_of(book, part);
      const auto known = std::count_if(
          history.sessions.begin(), history.sessions.end(),
          [](const HistorySession& session) { return session.value.value.has_value(); });
      if (known < 2) continue;
      if (++number == 1) page.section("history", "Over the sessions");
      one_subject(page, history, number);
    } catch (const Error& error) {
      if (error.fault() != Fault::kInput && error.fault() != Fault::kAnswerNo) throw;
    }
  }
}

}  // namespace loadline
