#include "fit/curves/sessions.h"

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <map>
#include <utility>

namespace loadline {
namespace {

double time_of_day(const std::string& started_utc) {
  int hour = 0, minute = 0, second = 0;
  if (started_utc.size() < 19 ||
      std::sscanf(started_utc.c_str() + 10, "T%2d:%2d:%2d", &hour, &minute, &second) != 3)
    return 0;
  return (hour + (minute + second / 60.0) / 60.0) / 24.0;
}

double start_of(const Run& run) {
  const auto day = day_of(run.started_utc);
  return day ? *day + time_of_day(run.started_utc) : 0;
}

bool is_read(const Run& run, const Part& subject) {
  switch (subject.kind) {
    case PartKind::kMachine:
      return run.kind == RunKind::kCoastDown || run.kind == RunKind::kDriven;
    case PartKind::kMotor:
      return run.kind == RunKind::kBrake || run.kind == RunKind::kSpinUp ||
             run.kind == RunKind::kNoLoad || (run.kind == RunKind::kCoastDown && run.machine == 0);
    case PartKind::kBelt:
      return run.kind == RunKind::kTopSpeed;
    default:
      return false;
  }
}

std::vector<Run> runs_read(const Book& book, const Part& subject,
                           const std::vector<std::int64_t>& numbers) {
  RunFilter filter;
  if (subject.kind == PartKind::kMachine) filter.machine = subject.id;
  if (subject.kind == PartKind::kMotor) filter.motor = subject.id;
  if (subject.kind == PartKind::kBelt) filter.belt = subject.id;
  std::vector<Run> runs = book.runs(filter);
  std::erase_if(runs, [&](const Run& run) {
    return !run.aside.empty() || !is_read(run, subject) ||
           (!numbers.empty() && std::find(numbers.begin(), numbers.end(), run.id) == numbers.end());
  });
  std::stable_sort(runs.begin(), runs.end(), [](const Run& a, const Run& b) {
    return std::pair(a.started_utc, a.id) < std::pair(b.started_utc, b.id);
  });
  return runs;
}

void set_start(Session& session) {
  session.started_utc = session.runs.front().started_utc;
  if (day_of(session.label)) session.started_utc = session.label.substr(0, 10);
  session.day = day_of(session.started_utc).value_or(std::nan(""));
}

}  // namespace

std::optional<double> day_of(const std::string& text) {
  int year = 0, month = 0, day = 0;
  if (text.size() < 10 || text[4] != '-' || text[7] != '-' ||
      std::sscanf(text.c_str(), "%4d-%2d-%2d", &year, &month, &day) != 3)
    return std::nullopt;
  const std::chrono::year_month_day date{std::chrono::year(year),
                                         std::chrono::month(static_cast<unsigned>(month)),
                                         std::chrono::day(static_cast<unsigned>(day))};
  if (!date.ok()) return std::nullopt;
  return static_cast<double>(std::chrono::sys_days(date).time_since_epoch().count());
}

std::vector<std::size_t> evenings_of(const std::vector<Run>& runs) {
  std::vector<std::size_t> evenings;
  std::size_t count = 0;
  std::map<std::string, std::size_t> by_label;
  std::map<std::int64_t, std::pair<std::size_t, double>> last_of_rig;  // session, start
  for (const Run& run : runs) {
    std::size_t place = count;
    if (!run.session.empty()) {
      place = by_label.try_emplace(run.session, place).first->second;
    } else {
      const double start = start_of(run);
      const auto last = last_of_rig.find(run.rig);
      if (last != last_of_rig.end() && std::fabs(start - last->second.second) < kEveningGapDays)
        place = last->second.first;
      last_of_rig[run.rig] = {place, start};
    }
    count = std::max(count, place + 1);
    evenings.push_back(place);
  }
  return evenings;
}

std::vector<int> session_numbers(const Book& book, const Part& subject,
                                 const std::vector<std::int64_t>& numbers) {
  std::vector<int> result(numbers.size(), 0);
  int number = 0;
  for (const Session& session : sessions_of(book, subject, numbers)) {
    for (const Run& run : session.runs)
      for (std::size_t i = 0; i < numbers.size(); ++i)
        if (numbers[i] == run.id) result[i] = number;
    ++number;
  }
  return result;
}

std::vector<Session> sessions_of(const Book& book, const Part& subject,
                                 const std::vector<std::int64_t>& numbers) {
  std::vector<Session> sessions;
  std::vector<Run> runs = runs_read(book, subject, numbers);
  const std::vector<std::size_t> evenings = evenings_of(runs);
  for (std::size_t i = 0; i < runs.size(); ++i) {
    if (evenings[i] == sessions.size()) sessions.push_back({runs[i].session, {}, {}, {}});
    sessions[evenings[i]].runs.push_back(std::move(runs[i]));
  }
  for (Session& session : sessions) set_start(session);
  // One without a date has no place among the others: then none has.
  if (std::any_of(sessions.begin(), sessions.end(),
                  [](const Session& session) { return std::isnan(session.day); }))
    for (Session& session : sessions) session.day = 0;
  std::stable_sort(sessions.begin(), sessions.end(), [](const Session& a, const Session& b) {
    return a.started_utc.substr(0, 10) < b.started_utc.substr(0, 10);
  });
  return sessions;
}

}  // namespace loadline
