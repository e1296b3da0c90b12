#include "logger/live/answers.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <poll.h>
#include <sched.h>
#include <spawn.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <atomic>
#include <csignal>
#include <filesystem>
#include <nlohmann/json.hpp>
#include <optional>
#include <thread>
#include <vector>

#include "db/basis/error.h"
#include "db/basis/mutex.h"
#include "db/basis/quantity.h"
#include "logger/line/file_descriptor.h"
#include "logger/live/plain_words.h"
#include "logger/live/typed_number.h"

namespace loadline {
namespace {

using SteadyClock = std::chrono::steady_clock;

std::string fit_program() {
  std::error_code failed;
  const auto here = std::filesystem::read_symlink("/proc/self/exe", failed).parent_path();
  for (const auto& place : {here / "loadline-fit", here.parent_path() / "fit" / "loadline-fit"})
    if (!failed && ::access(place.c_str(), X_OK) == 0) return place.string();
  return "loadline-fit";
}

/// Aims that `choose` takes, as the page may send them.
constexpr std::array kAims = {"least-rpm",         "most-motor-rpm", "least-needle-n", "slow-spm",
                              "most-drop-percent", "extra-nm",       "centre-mm"};

std::vector<std::string> command_for(const Json& wish, const std::string& book) {
  const auto text = [&](const char* key) {
    const auto found = wish.is_object() ? wish.find(key) : wish.end();
    return found != wish.end() && found->is_string() ? found->get<std::string>() : std::string();
  };
  const std::string question = text("question"), subject = text("subject");
  if (subject.empty()) throw Error(Fault::kInput, "say what the question is about.");
  std::vector<std::string> words = {"--json", "--book=" + book};
  if (question == "motor" || question == "machine") {
    words.insert(words.begin(), question == "motor" ? "motor" : "drag");
    // While a run is recorded nothing may be stored: the recorder alone writes.
    words.push_back("--rows");
    if (const auto runs = wish.find("glance"); runs != wish.end() && runs->is_array()) {
      words.push_back("--dry");
      for (const Json& run : *runs)
        words.push_back(fmt::format("--runs={}", run.get<std::int64_t>()));
    }
    words.insert(words.end(), {"--", subject});
    return words;
  }
  if (question != "belts" && question != "choice")
    throw Error(Fault::kInput, "the page has no such question.");
  words.insert(words.begin(), question == "belts" ? "belts" : "choose");
  words.push_back("--machine=" + subject);
  const auto aims = wish.find("aims");
  if (question != "choice" || aims == wish.end() || !aims->is_object()) return words;
  for (const char* aim : kAims) {
    if (const auto value = typed_number(*aims, aim, unit_of_option(aim)))
      words.push_back(fmt::format("--{}={}", aim, *value));
  }
  return words;
}

/// Sentences within a document, as the page shows them.
void say_on_page(Json& answer) {
  if (!answer.is_object()) return;
  for (const char* key : {"choice", "not_described"})
    if (answer.contains(key) && answer[key].is_string())
      answer[key] = on_page(answer[key].get<std::string>());
  for (const char* list : {"refused", "left_out"})
    if (answer.contains(list) && answer[list].is_array())
      for (Json& entry : answer[list])
        if (entry.is_object() && entry.contains("reason") && entry["reason"].is_string())
          entry["reason"] = on_page(entry["reason"].get<std::string>());
}

/// A pipe of which the child gets the end for writing.
struct Pipe {
  FileDescriptor read, write;
  Pipe() {
    int ends[2] = {-1, -1};
    if (::pipe2(ends, O_CLOEXEC | O_NONBLOCK) != 0)
      throw Error(Fault::kInput, "the operating system gives no more pipes; close programs.");
    read = FileDescriptor(ends[0]);
    write = FileDescriptor(ends[1]);
    ::fcntl(ends[1], F_SETFL, 0);
  }
};

/// Takes what is there; false at the end or when there is more than `most`.
bool drain(int from, std::string& into, std::size_t most) {
  std::array<char, 16'384> piece = {};
  for (;;) {
    const ssize_t got = ::read(from, piece.data(), piece.size());
    if (got == 0) return false;
    if (got < 0) return errno == EAGAIN || errno == EINTR;
    if (into.size() + static_cast<std::size_t>(got) > most) return false;
    into.append(piece.data(), static_cast<std::size_t>(got));
  }
}

struct Outcome {
  std::optional<int> status;  ///< empty when it was ended from outside
  std::string out, err;
  std::string why;  ///< a sentence when there is no status
};

pid_t spawn(const std::string& program, const std::vector<std::string>& words, int out, int err) {
  std::vector<char*> argv = {const_cast<char*>(program.c_str())};
  for (const std::string& word : words) argv.push_back(const_cast<char*>(word.c_str()));
  argv.push_back(nullptr);
  posix_spawn_file_actions_t files;
  posix_spawn_file_actions_init(&files);
  posix_spawn_file_actions_addopen(&files, STDIN_FILENO, "/dev/null", O_RDONLY, 0);
  posix_spawn_file_actions_adddup2(&files, out, STDOUT_FILENO);
  posix_spawn_file_actions_adddup2(&files, err, STDERR_FILENO);
  posix_spawn_file_actions_addclosefrom_np(&files, 3);  // neither the rig's line nor the book
  posix_spawnattr_t how;
  posix_spawnattr_init(&how);
  sigset_t none, all;
  sigemptyset(&none);
  sigfillset(&all);
  posix_spawnattr_setsigmask(&how, &none);
  posix_spawnattr_setsigdefault(&how, &all);
  posix_spawnattr_setflags(&how,
                           POSIX_SPAWN_SETSIGMASK | POSIX_SPAWN_SETSIGDEF | POSIX_SPAWN_SETPGROUP);
  pid_t pid = -1;
  const int failed = ::posix_spawnp(&pid, program.c_str(), &files, &how, argv.data(), environ);
  posix_spawn_file_actions_destroy(&files);
  posix_spawnattr_destroy(&how);
  return failed == 0 ? pid : -1;
}

/// Last in the queue for the processor, and bounded.
void restrain(pid_t pid, const Answers::Limits& limits) {
  const sched_param least = {};
  ::sched_setscheduler(pid, SCHED_IDLE, &least);
  ::setpriority(PRIO_PROCESS, static_cast<id_t>(pid), 19);
  const rlimit memory = {limits.memory, limits.memory};
  ::prlimit(pid, RLIMIT_AS, &memory, nullptr);
  const auto seconds = static_cast<rlim_t>(limits.time.count());
  const rlimit time = {seconds, seconds};
  ::prlimit(pid, RLIMIT_CPU, &time, nullptr);
}

Outcome run(const std::string& program, const std::vector<std::string>& words,
            const Answers::Limits& limits, const std::atomic<bool>& ended) {
  Outcome outcome;
  Pipe out, err;
  const pid_t pid = spawn(program, words, out.write.get(), err.write.get());
  out.write = FileDescriptor();
  err.write = FileDescriptor();
  if (pid < 0) {
    outcome.why = "loadline-fit could not be started; is it installed beside this program?";
    return outcome;
  }
  restrain(pid, limits);
  const auto until = SteadyClock::now() + limits.time;
  constexpr std::size_t kMostTold = 65'536;
  bool out_open = true, err_open = true;
  while (out_open || err_open) {
    pollfd ends[] = {{out_open ? out.read.get() : -1, POLLIN, 0},
                     {err_open ? err.read.get() : -1, POLLIN, 0}};
    ::poll(ends, 2, 100);
    if (ends[0].revents) out_open = drain(out.read.get(), outcome.out, limits.output);
    if (ends[1].revents) err_open = drain(err.read.get(), outcome.err, kMostTold);
    if (ended || SteadyClock::now() > until) break;
  }
  // What still runs now has closed its output, said too much, or taken too long.
  int status = 0;
  while (::waitpid(pid, &status, WNOHANG) == 0) {
    if (ended || SteadyClock::now() > until || outcome.out.size() + 16'384 > limits.output) {
      ::kill(-pid, SIGKILL);
      ::waitpid(pid, &status, 0);
      break;
    }
    std::this_thread::sleep_for(std::chrono::milliseconds(10));
  }
  if (WIFEXITED(status))
    outcome.status = WEXITSTATUS(status);
  else
    outcome.why = "no answer within the time, memory and length that an answer may take.";
  return outcome;
}

}  // namespace

struct Answers::State {
  std::string book, program;
  Limits limits;
  mutable Mutex mutex;
  mutable Condition done;
  std::thread thread;
  std::atomic<bool> ended{false};
  bool working GUARDED_BY(mutex) = false;
  int number GUARDED_BY(mutex) = 0;
  Json asked GUARDED_BY(mutex) = Json::object();
  Json latest GUARDED_BY(mutex) = Json::object();

  void work(const std::vector<std::string>& words);
};

Answers::Answers(std::string book, std::string program)
    : Answers(std::move(book), std::move(program), Limits()) {}

Answers::Answers(std::string book, std::string program, const Limits& limits)
    : state_(std::make_unique<State>()) {
  state_->book = std::filesystem::absolute(book).string();
  state_->program = program.empty() ? fit_program() : std::move(program);
  state_->limits = limits;
}

Answers::~Answers() {
  state_->ended = true;
  if (state_->thread.joinable()) state_->thread.join();
}

void Answers::State::work(const std::vector<std::string>& words) {
  Outcome outcome;
  try {
    outcome = run(program, words, limits, ended);
  } catch (const Error& error) {
    outcome.why = error.what();
  }
  Json told = Json::array();
  for (std::size_t from = 0; from < outcome.err.size();) {
    const auto to = std::min(outcome.err.find('\n', from), outcome.err.size());
    std::string line = outcome.err.substr(from, to - from);
    from = to + 1;
    for (const char* opening : {"loadline-fit: warning: ", "loadline-fit: "})
      if (line.starts_with(opening)) line.erase(0, std::string(opening).size());
    line = without_commands(line, "");
    if (!line.empty() && line.find('\r') == std::string::npos) told.push_back(on_page(line));
  }
  if (!outcome.why.empty()) told.push_back(on_page(outcome.why));
  Json answer = Json::parse(outcome.out, nullptr, false);
  if (answer.is_discarded()) answer = nullptr;
  say_on_page(answer);
  const Lock lock(mutex);
  latest = asked;
  latest["number"] = number;
  latest["status"] = outcome.status ? Json(*outcome.status) : Json();
  latest["answer"] = std::move(answer);
  latest["told"] = std::move(told);
  working = false;
  done.notify_all();
}

void Answers::ask(const Json& wish) {
  const std::vector<std::string> words = command_for(wish, state_->book);
  const Lock lock(state_->mutex);
  if (state_->working)
    throw Error(Fault::kInput, "one answer is still being worked out; ask again when it is there.");
  if (state_->thread.joinable()) state_->thread.join();  // it has nothing left to do
  state_->asked = {{"question", wish["question"]}, {"subject", wish["subject"]}};
  if (wish.contains("aims")) state_->asked["aims"] = wish["aims"];
  ++state_->number;
  state_->working = true;
  State& state = *state_;
  try {
    state_->thread = std::thread([&state, words] { state.work(words); });
  } catch (const std::system_error&) {
    state_->working = false;
    throw Error(Fault::kInput, "the operating system gives no more threads; close programs.");
  }
}

Json Answers::status() const {
  const Lock lock(state_->mutex);
  Json status = state_->asked;
  status["number"] = state_->number;
  status["state"] = state_->working ? "working" : state_->number == 0 ? "none" : "ready";
  return status;
}

Json Answers::document() const {
  const Lock lock(state_->mutex);
  return state_->latest;
}

void Answers::settle() const {
  Lock lock(state_->mutex);
  const State& state = *state_;
  state.done.wait(lock, [&state]() REQUIRES(state.mutex) { return !state.working; });
}

}  // namespace loadline
