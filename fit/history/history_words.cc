// A history in words and as the contract's JSON.
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>

#include "fit/history/history.h"

namespace loadline {
namespace {

constexpr std::size_t kColumns = 80;

// Breaks at blanks; following lines stand `indent` columns in.
std::string wrapped(const std::string& text, std::size_t indent = 2) {
  std::string out, line;
  std::size_t columns = 0, start = 0;
  const auto width = [](const std::string& word) {
    return static_cast<std::size_t>(
        std::count_if(word.begin(), word.end(), [](char c) { return (c & 0xC0) != 0x80; }));
  };
  while (start < text.size()) {
    const std::size_t end = std::min(text.find(' ', start), text.size());
    const std::string word = text.substr(start, end - start);
    if (columns > 0 && columns + 1 + width(word) > kColumns) {
      out += line + "\n";
      line = std::string(indent, ' ');
      columns = indent;
    } else if (columns > 0) {
      line += ' ';
      ++columns;
    }
    line += word;
    columns += width(word);
    start = end + 1;
  }
  return out + line + "\n";
}

std::string plain_percent(double value) {
  return fmt::format("{} %", significant(std::fabs(value), 2));
}

std::string limits_words(const Estimate& percent) {
  if (!percent.low || !percent.high) return "";
  return fmt::format(" ({} to {} %)", significant(*percent.low, 2), significant(*percent.high, 2));
}

bool is_clear(const Estimate& percent) {
  return percent.low && percent.high && (*percent.low > 0 || *percent.high < 0);
}

std::string change_words(const HistoryChange& change) {
  const double value = change.percent.value.value_or(0);
  const std::string size = fmt::format("{} {}{}", value < 0 ? "fell by" : "rose by",
                                       plain_percent(value), limits_words(change.percent));
  if (!change.event)
    return fmt::format(
        "It {} between the session before {} and that day; nothing is entered "
        "there (loadline-db set {{}} --event …).",
        size, change.on);
  if (!change.percent.low)
    return fmt::format(
        "With '{}' ({}) it {}; one session on either side does not tell whether "
        "that is chance.",
        *change.event, change.on, size);
  return fmt::format("With '{}' ({}) it {}{}.", *change.event, change.on, size,
                     is_clear(change.percent) ? "" : ": no change that could be told from chance");
}

std::size_t known_sessions(const History& history) {
  return static_cast<std::size_t>(
      std::count_if(history.sessions.begin(), history.sessions.end(),
                    [](const HistorySession& session) { return session.value.value.has_value(); }));
}

std::string first_words(const History& history) {
  const std::size_t count = known_sessions(history);
  const std::string subject =
      fmt::format("{} '{}': {}", part_kind_name(history.kind), history.name, history.figure);
  if (count == 1)
    return subject +
           ". One evening only: what another would give is not known; three to five evenings would "
           "tell.";
  std::string words = fmt::format("{} over {} sessions", subject, count);
  const auto clear = [](const HistoryChange& change) {
    return change.found || is_clear(change.percent);
  };
  const auto changes = std::count_if(history.changes.begin(), history.changes.end(), clear);
  if (changes > 0)
    words += fmt::format(
        ": {}", changes == 1 ? "it changed once" : fmt::format("it changed {} times", changes));
  else if (is_clear(history.trend_percent_per_year))
    words += fmt::format(": it {} with the years",
                         *history.trend_percent_per_year.value < 0 ? "falls" : "rises");
  else
    words += ": no change that could be told from chance";
  return words + ".";
}

std::string scatter_words(const History& history) {
  const Estimate& between = history.between_sessions_percent;
  if (!between.value) return "";
  return fmt::format(
      "From session to session it scatters by {} % ({} to {} %; standard deviation).",
      significant(*between.value, 2), significant(*between.low, 2), significant(*between.high, 2));
}

std::string trend_words(const History& history) {
  const Estimate& trend = history.trend_percent_per_year;
  if (!trend.value || known_sessions(history) < 2) return "";
  return fmt::format("Trend{}: {}{} % a year ({} to {} %).",
                     history.changes.empty() ? "" : " beside that", *trend.value < 0 ? "" : "+",
                     significant(*trend.value, 2), significant(*trend.low, 2),
                     significant(*trend.high, 2));
}

std::string findable_words(const History& history) {
  if (known_sessions(history) < 2) return "";
  if (!history.could_look)
    return "Six sessions, three on either side, are the least in which a change that nobody "
           "entered can be found.";
  return fmt::format("A change of {} % in the middle would have been found nine times in ten.",
                     significant(*history.findable_percent, 2));
}

std::string with_name(std::string words, const History& history) {
  const auto at = words.find("{}");
  if (at != std::string::npos)
    words.replace(at, 2, fmt::format("{} '{}'", part_kind_name(history.kind), history.name));
  return words;
}

std::string sessions_table(const History& history) {
  std::string text;
  for (const HistorySession& session : history.sessions) {
    std::string label = session.label.empty() ? "" : ", " + session.label;
    if (session.started_utc.substr(0, 10) == session.label) label.clear();
    text += wrapped(fmt::format("  {}  {} (run{} {}{})", session.started_utc.substr(0, 10),
                                to_text(session.value), session.runs.size() == 1 ? "" : "s",
                                fmt::join(session.runs, ", "), label),
                    14);
  }
  return text;
}

}  // namespace

std::string summary_of(const History& history) {
  std::string words = first_words(history);
  words[0] = static_cast<char>(words[0] - 'a' + 'A');
  for (const HistoryChange& change : history.changes)
    words += " " + with_name(change_words(change), history);
  return words;
}

std::string to_text(const History& history) {
  std::string first = first_words(history);
  first[0] = static_cast<char>(first[0] - 'a' + 'A');
  std::string text = wrapped(first);
  for (const HistoryChange& change : history.changes)
    text += wrapped(with_name(change_words(change), history));
  text += sessions_table(history);
  for (const std::string& words :
       {scatter_words(history), trend_words(history), findable_words(history)})
    if (!words.empty()) text += wrapped(words);
  if (history.another_evening.low)
    text += wrapped("Another evening would give " + to_text(history.another_evening) + ".");
  text.pop_back();
  return text;
}

Json to_json(const History& history) {
  Json sessions = Json::array(), changes = Json::array(), events = Json::array();
  for (const HistorySession& session : history.sessions)
    sessions.push_back({{"started", session.started_utc},
                        {"label", session.label.empty() ? Json() : Json(session.label)},
                        {"runs", session.runs},
                        {"value", to_json(session.value)}});
  for (const HistoryChange& change : history.changes)
    changes.push_back({{"on", change.on},
                       {"percent", to_json(change.percent)},
                       {"event", change.event ? Json(*change.event) : Json()}});
  for (const PartEvent& event : history.events)
    events.push_back({{"on", event.on_date}, {"event", event.what}});
  const auto known = [](const Estimate& estimate) {
    return estimate.value ? to_json(estimate) : Json();
  };
  return {
      {part_kind_name(history.kind), history.name},
      {"figure", history.figure},
      {"speed", history.speed_rpm ? to_json(Estimate::exact(*history.speed_rpm, "rpm")) : Json()},
      {"sessions", sessions},
      {"between_sessions_percent", known(history.between_sessions_percent)},
      {"between_runs_percent", known(history.between_runs_percent)},
      {"trend_percent_per_year", known(history.trend_percent_per_year)},
      {"changes", changes},
      {"could_have_been_found_percent",
       history.findable_percent ? json_number(*history.findable_percent) : Json()},
      {"another_evening", history.another_evening.low ? to_json(history.another_evening) : Json()},
      {"events", events},
      {"warnings", history.warnings}};
}

}  // namespace loadline
