// What DEVELOPERS.md, "How to add a run kind", asks of every kind, tried on all there are.
#include <doctest/doctest.h>

#include <string>

#include "db/basis/error.h"
#include "logger/cautions.h"
#include "logger/mounting.h"
#include "tests/support/scratch_book.h"

using namespace loadline;

namespace {

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

std::string refusal(const Book& book, RunKind kind, const Mounting& mounting, const Part& rig) {
  try {
    run_of(book, kind, mounting, rig);
  } catch (const Error& error) {
    CHECK(error.fault() == Fault::kInput);
    return error.what();
  }
  return {};
}

}  // namespace

TEST_CASE("every kind of run has a name, a subject it cannot do without, a place in the book") {
  tests::ScratchBook scratch;
  Book& book = scratch.book();
  const auto add = [&](PartKind kind, const char* name) {
    Part part;
    part.kind = kind;
    part.name = name;
    part.id = book.add(part);
    return part;
  };
  const Part rig = add(PartKind::kRig, "R");
  add(PartKind::kMotor, "M");
  add(PartKind::kMachine, "K");
  add(PartKind::kBelt, "B");
  Mounting everything;
  everything.motor = "M";
  everything.machine = "K";
  everything.belt = "B";
  for (const RunKind kind : kRunKinds) {
    const std::string name = run_kind_name(kind);
    CAPTURE(name);
    CHECK(kind_from(name) == kind);
    CHECK(has(refusal(book, kind, {}, rig), "--m"));  // says which option names the subject
    CHECK(refusal(book, kind, everything, rig).empty());
    Run run = run_of(book, kind, everything, rig);
    run.tick_hz = 1e6;
    run.id = book.begin_run(run);
    CHECK(book.run(run.id).kind == kind);
    CHECK(has(next_command(book, run), "loadline-"));
    // Cautions come before what can hurt within seconds (common practice), and only there.
    const bool dangerous =
        kind == RunKind::kBrake || kind == RunKind::kSpinUp || kind == RunKind::kSlipCheck;
    CHECK(has(cautions_before(kind), "mains") == dangerous);
    book.end_run(run.id, RunState::kComplete);
  }
  CHECK_THROWS_AS(kind_from("wobble"), Error);
}
