// "Fit now" beside the recorder: what the other program may take, and what comes back whatever it
// does. A script stands in for loadline-fit here; the browser test asks the real one.
#include <doctest/doctest.h>
#include <sys/stat.h>

#include <fstream>
#include <nlohmann/json.hpp>

#include "db/basis/error.h"
#include "logger/live/answers.h"
#include "logger/live/bench_task.h"
#include "tests/logger/support/bench_book.h"

using namespace loadline;

namespace {

std::string script(const testing::Scratch& folder, const std::string& body) {
  const std::string path = folder.path("fit");
  std::ofstream(path) << "#!/bin/sh\n" << body << "\n";
  ::chmod(path.c_str(), 0700);
  return path;
}

const Json kWish = {{"question", "motor"}, {"subject", "grey"}};

Json answer_of(const testing::Scratch& folder, const std::string& body, const Json& wish = kWish,
               const Answers::Limits& limits = {}) {
  Answers answers(folder.path("bench.book"), script(folder, body), limits);
  answers.ask(wish);
  answers.settle();
  return answers.document();
}

}  // namespace

TEST_CASE(
    "An answer comes back with its document, its status and what was said, without commands") {
  testing::Scratch folder;
  const Json got = answer_of(folder,
                             "echo '{\"peak\": 76}'; echo 'loadline-fit: warning: Take care; see "
                             "loadline-fit motor.' >&2; exit 1");
  CHECK(got["status"] == 1);
  CHECK(got["answer"]["peak"] == 76);
  CHECK(got["told"] == Json::array({"Take care."}));
  CHECK(got["question"] == "motor");
  CHECK(got["subject"] == "grey");
}

TEST_CASE("A name is never taken for an option, and only known aims pass") {
  testing::Scratch folder;
  const Json got =
      answer_of(folder, "case \"$*\" in *'-- --runs=3') echo '{\"kept\": true}';; esac",
                {{"question", "machine"}, {"subject", "--runs=3"}});
  CHECK(got["answer"]["kept"] == true);
  const Json aims = answer_of(
      folder, "case \"$*\" in *--machine=K*--least-rpm=1200*) echo '{\"kept\": true}';; esac",
      {{"question", "choice"}, {"subject", "K"}, {"aims", {{"least-rpm", 1200}, {"svg", "/x"}}}});
  CHECK(aims["answer"]["kept"] == true);
  Answers answers(folder.path("b"), script(folder, "true"));
  for (const Json& wish : {Json(7), Json::object(), Json({{"question", "motor"}}),
                           Json({{"question", "sweep"}, {"subject", "grey"}}),
                           Json({{"question", "motor"}, {"subject", 3}})})
    CHECK_THROWS_AS(answers.ask(wish), const Error&);
  CHECK(answers.status()["state"] == "none");
}

TEST_CASE("It gets the processor only when nobody else wants it, and none of our files") {
  testing::Scratch folder;
  std::ofstream ours(folder.path("open"));  // as the rig's line would be
  const Json got = answer_of(folder,
                             "sleep 0.3; echo {\\\"nice\\\": $(cut -d' ' -f19 /proc/$$/stat), "
                             "\\\"policy\\\": $(cut -d' ' -f41 /proc/$$/stat), "
                             "\\\"files\\\": $(ls -l /proc/$$/fd | grep -c /open)}");
  CAPTURE(got.dump());
  CHECK(got["answer"]["nice"] == 19);
  CHECK(got["answer"]["policy"] == 5);  // SCHED_IDLE (sched(7))
  CHECK(got["answer"]["files"] == 0);
}

TEST_CASE("What takes too long, says too much or cannot be started ends in a sentence") {
  testing::Scratch folder;
  Answers::Limits limits;
  limits.time = std::chrono::seconds(1);
  limits.output = 100'000;
  for (const char* body : {"sleep 1000", "yes", "yes >&2", "while :; do :; done",
                           "exec >&- 2>&-; sleep 1000", "kill -9 $$"}) {
    CAPTURE(body);
    const Json got = answer_of(folder, body, kWish, limits);
    CHECK(got["status"].is_null());
    CHECK(got["told"].size() >= 1);
    CHECK(got["answer"].is_null());
  }
  Answers missing(folder.path("b"), folder.path("no-such-program"));
  missing.ask(kWish);
  missing.settle();
  CHECK(missing.document()["told"].size() == 1);
  CHECK(answer_of(folder, "echo no JSON")["answer"].is_null());
}

TEST_CASE("One answer at a time; whoever leaves does not wait for it") {
  testing::Scratch folder;
  Answers answers(folder.path("b"), script(folder, "sleep 1000"));
  answers.ask(kWish);
  CHECK(answers.status()["state"] == "working");
  CHECK_THROWS_AS(answers.ask(kWish), const Error&);
}  // its end ends the script

TEST_CASE("The page enters parts and sets runs aside, by the book's own rules") {
  testing::Scratch folder;
  Book book = bench_book(folder);
  CHECK(carry_out_task(book, {{"task", "part"},
                              {"kind", "motor"},
                              {"name", "Heron 70"},
                              {"fields", {{"type", "series"}, {"max-rpm", 9000}}}})["done"] ==
        "entered");
  CHECK(book.get(PartKind::kMotor, "Heron 70").number("max-rpm") == 9000);
  Run run;
  run.kind = RunKind::kCoastDown;
  run.motor = book.get(PartKind::kMotor, "grey").id;
  const std::int64_t id = book.begin_run(run);
  CHECK_THROWS_AS(carry_out_task(book, {{"task", "aside"}, {"run", id}}), const Error&);
  book.end_run(id, RunState::kComplete);
  carry_out_task(book, {{"task", "aside"}, {"run", id}, {"aside", true}});
  CHECK_FALSE(book.run(id).aside.empty());
  carry_out_task(book, {{"task", "aside"}, {"run", id}, {"aside", false}});
  CHECK(book.run(id).aside.empty());
  const std::size_t motors = book.parts(PartKind::kMotor).size();
  for (const Json& task :
       {Json(), Json(3), Json::object(), Json({{"task", "drop"}}),
        Json({{"task", "aside"}, {"run", 99}}), Json({{"task", "aside"}, {"run", "1"}}),
        Json({{"task", "aside"}, {"run", id}, {"aside", 7}}),
        Json({{"task", "part"}, {"kind", "motor"}, {"name", ""}}),
        Json({{"task", "part"}, {"kind", "motor"}, {"name", "grey"}}),
        Json({{"task", "part"}, {"kind", "motor"}, {"name", "y"}, {"fields", 3}}),
        Json({{"task", "part"}, {"kind", "motor"}, {"name", "y"}, {"fields", {{"max-rpm", -1}}}}),
        Json({{"task", "part"}, {"kind", "motor"}, {"name", "y"}, {"fields", {{"type", 2}}}})}) {
    CAPTURE(task.dump());
    CHECK_THROWS_AS(carry_out_task(book, task), const Error&);
  }
  CHECK(book.parts(PartKind::kMotor).size() == motors);
}
