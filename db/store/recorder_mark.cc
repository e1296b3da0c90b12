#include "db/store/recorder_mark.h"

#include <fmt/format.h>
#include <unistd.h>

#include <fstream>
#include <set>
#include <sstream>

#include "db/basis/mutex.h"

namespace loadline {
namespace {

Mutex g_mutex;
std::set<std::string>& living_marks() REQUIRES(g_mutex) {
  static std::set<std::string> marks;
  return marks;
}

std::string boot_id() {
  std::ifstream file("/proc/sys/kernel/random/boot_id");
  std::string id;
  file >> id;
  return id.empty() ? "unknown" : id;
}

// Field 22 of /proc/PID/stat (proc(5)), empty for a process that is gone or only waits to be reaped
// (state Z or X in field 3). The command in field 2 may hold spaces and parentheses.
std::string start_time(long pid) {
  std::ifstream file(fmt::format("/proc/{}/stat", pid));
  std::stringstream all;
  all << file.rdbuf();
  const std::string text = all.str();
  const std::size_t after_command = text.rfind(')');
  if (after_command == std::string::npos) return "";
  std::istringstream fields(text.substr(after_command + 1));
  std::string field;
  for (int i = 3; i <= 22 && fields >> field; ++i)
    if (i == 3 && (field == "Z" || field == "X")) return "";
  return field;
}

std::string process_mark(long pid) {
  return fmt::format("{} {} {}", boot_id(), pid, start_time(pid));
}

}  // namespace

RecorderMark::RecorderMark() {
  static long long count = 0;
  const Lock lock(g_mutex);
  text_ = fmt::format("{} {}", process_mark(getpid()), ++count);
  living_marks().insert(text_);
}

RecorderMark::~RecorderMark() {
  const Lock lock(g_mutex);
  living_marks().erase(text_);
}

bool recorder_is_alive(const std::string& mark) {
  std::istringstream words(mark);
  std::string boot, start, book;
  long pid = 0;
  if (!(words >> boot >> pid >> start >> book)) return false;
  if (fmt::format("{} {} {}", boot, pid, start) != process_mark(pid)) return false;
  if (pid != getpid()) return true;
  const Lock lock(g_mutex);
  return living_marks().count(mark) > 0;
}

}  // namespace loadline
