// Random operations on the book and on a plain map beside it: both must say the same, also after
// reopening, after transactions that were thrown away, and after refusals.
#include <doctest/doctest.h>

#include <map>
#include <random>

#include "db/care/check.h"
#include "tests/db/filled_book.h"
#include "tests/support/scratch.h"

namespace loadline {
namespace {

using testing::Scratch;

// The slow and obvious book.
struct Model {
  std::map<std::string, std::map<std::string, double>> belts;
  std::map<std::int64_t, std::vector<std::int64_t>> ticks;  ///< by run
  std::map<std::int64_t, bool> open;
  std::map<std::string, std::string> documents;
};

class Trial {
 public:
  explicit Trial(unsigned seed) : random_(seed), book_(open()) {}

  void step() {
    switch (pick(12)) {
      case 0:
      case 1:
        return add_belt();
      case 2:
        return change_belt();
      case 3:
        return begin_run();
      case 4:
      case 5:
      case 6:
        return append(true);
      case 7:
        return append(false);
      case 8:
        return end_run();
      case 9:
        return append_backwards();
      case 10:
        return put_document();
      default:
        return pick(4) ? void() : reopen();
    }
  }

  void compare() {
    const std::vector<Part> belts = book_.parts(PartKind::kBelt);
    REQUIRE(belts.size() == model_.belts.size());
    for (const Part& belt : belts) {
      const auto& fields = model_.belts.at(belt.name);
      REQUIRE(belt.fields.size() == fields.size());
      for (const auto& [name, value] : fields) CHECK(belt.number(name) == value);
    }
    RunFilter all;
    all.with_open = true;
    REQUIRE(book_.runs(all).size() == model_.ticks.size());
    for (const auto& [run, ticks] : model_.ticks) compare_run(run, ticks);
    for (const auto& [name, json] : model_.documents) CHECK(book_.document(name) == json);
    CHECK(check_book(book_).findings.empty());
  }

 private:
  Book open() { return Book::open(scratch_.path("bench.book"), Book::Mode::kCreate); }
  unsigned pick(unsigned below) { return static_cast<unsigned>(random_() % below); }

  void compare_run(std::int64_t run, const std::vector<std::int64_t>& ticks) {
    const std::vector<Sample> samples = book_.samples(run);
    REQUIRE(samples.size() == ticks.size());
    for (std::size_t i = 0; i < ticks.size(); ++i) REQUIRE(samples[i].tick == ticks[i]);
    CHECK(book_.run(run).sample_count == static_cast<std::int64_t>(ticks.size()));
    CHECK((book_.run(run).state == RunState::kOpen) == model_.open[run]);
  }

  void add_belt() {
    Part belt = testing::part(PartKind::kBelt, "belt " + std::to_string(pick(30)));
    if (pick(2)) belt.fields["width-mm"] = 1.0 + pick(20);
    if (pick(5) == 0) belt.fields["length-mm"] = -1.0;
    const bool valid = belt.fields.count("length-mm") == 0;
    if (model_.belts.count(belt.name) > 0 || !valid) {
      CHECK_THROWS_AS(book_.add(belt), Error);
      return;
    }
    book_.add(belt);
    for (const auto& [name, value] : belt.fields)
      model_.belts[belt.name][name] = std::get<double>(value);
    model_.belts[belt.name];
  }

  void change_belt() {
    if (model_.belts.empty()) return;
    auto chosen = std::next(model_.belts.begin(), pick(static_cast<unsigned>(model_.belts.size())));
    Part belt = book_.get(PartKind::kBelt, chosen->first);
    belt.fields["height-mm"] = 0.5 + pick(10);
    auto fields = chosen->second;
    fields["height-mm"] = *belt.number("height-mm");
    const std::string name = pick(3) ? belt.name : "belt " + std::to_string(pick(30));
    const bool taken = name != belt.name && model_.belts.count(name) > 0;
    belt.name = name;
    if (taken) {
      CHECK_THROWS_AS(book_.update(belt), Error);
      return;
    }
    book_.update(belt);
    model_.belts.erase(chosen);
    model_.belts[name] = fields;
  }

  void begin_run() {
    if (model_.ticks.size() > 12) return;
    const std::int64_t run = book_.begin_run({});
    model_.ticks[run];
    model_.open[run] = true;
  }

  // Any run, open or not.
  std::int64_t some_run() {
    return std::next(model_.ticks.begin(), pick(static_cast<unsigned>(model_.ticks.size())))->first;
  }

  std::vector<Sample> next_samples(std::int64_t run) {
    std::int64_t tick = model_.ticks[run].empty() ? -1 : model_.ticks[run].back();
    std::vector<Sample> samples(1 + pick(80));
    for (Sample& sample : samples) {
      tick += 1 + pick(100000);
      sample.tick = tick;
      if (pick(3)) sample.torque_counts = static_cast<int>(random_());
      if (pick(3)) sample.supply_counts = static_cast<int>(pick(4096));
    }
    return samples;
  }

  void append(bool commit) {
    if (model_.ticks.empty()) return;
    const std::int64_t run = some_run();
    if (!model_.open[run]) {
      CHECK_THROWS_AS(book_.append(run, next_samples(run)), Error);
      return;
    }
    const std::vector<Sample> samples = next_samples(run);
    Book::Transaction transaction(book_);
    book_.append(run, samples);
    if (!commit) return;
    transaction.commit();
    for (const Sample& sample : samples) model_.ticks[run].push_back(sample.tick);
  }

  void append_backwards() {
    if (model_.ticks.empty()) return;
    const std::int64_t run = some_run();
    std::vector<Sample> samples = next_samples(run);
    samples.push_back(samples.front());
    CHECK_THROWS_AS(book_.append(run, samples), Error);
  }

  void end_run() {
    if (model_.ticks.empty()) return;
    const std::int64_t run = some_run();
    if (!model_.open[run]) {
      CHECK_THROWS_AS(book_.end_run(run, RunState::kComplete), Error);
      return;
    }
    book_.end_run(run, RunState::kComplete);
    model_.open[run] = false;
  }

  void put_document() {
    const std::string name = "plan/" + std::to_string(pick(5));
    const std::string json = std::to_string(pick(1000));
    book_.put_document(name, json);
    model_.documents[name] = json;
  }

  // The Book that began them is gone, so its open runs are closed at the next opening.
  void reopen() {
    { const Book gone = std::move(book_); }
    book_ = open();
    for (auto& [run, is_open] : model_.open) is_open = false;
  }

  Scratch scratch_;
  std::mt19937 random_;
  Model model_;
  Book book_;
};

TEST_CASE("book and map agree after every stretch of random operations") {
  for (const unsigned seed : {1U, 2U, 3U, 4U}) {
    CAPTURE(seed);
    Trial trial(seed);
    for (int stretch = 0; stretch < 6; ++stretch) {
      for (int i = 0; i < 60; ++i) trial.step();
      trial.compare();
    }
  }
}

}  // namespace
}  // namespace loadline
