// Plays the real firmware on an emulated microcontroller, its pins worked by the bench of a
// scenario, on a pseudo-terminal: board_on_line IMAGE SCENARIO.ini LINK [section.key=value]…
// As fast as the reader takes it. Ends when the run is over, or when nobody reads for ten seconds.
#include <cstdio>
#include <exception>
#include <string>
#include <vector>

#include "emulated_board.h"
#include "firmware-protocol/simrig/line_player.h"

namespace loadline::simrig {
namespace {

/// The board does not know when a run ends, nor does this need to: the host stops it.
class EmulatedRig : public PlayedRig {
 public:
  EmulatedRig(const std::string& image, const Scenario& scenario)
      : scenario_(scenario),
        board_(image, scenario.cell.converter_hz < 45.0 ? 10 : 80),
        bench_(board_, scenario, scenario.run.seed) {
    wire_decoder_start(&overheard_);
    while (time_s() < 0.05) advance();
  }

  void receive(const std::uint8_t* bytes, std::size_t size) override {
    board_.send(std::vector<std::uint8_t>(bytes, bytes + size));
    WireFrame frame{};
    for (std::size_t n = 0; n < size; ++n)
      if (wire_decoder_take(&overheard_, bytes[n], &frame)) overhear(frame.type);
    // Time must pass for the board to answer.
    for (int n = 0; n < 3; ++n) advance();
  }

  bool advance() override {
    const FaultSpec& f = scenario_.faults;
    if (f.reset_at_s >= 0.0 && !reset_done_ && run_time_s() >= f.reset_at_s) {
      reset_done_ = true;
      streaming_ = false;
      board_.reset();
    }
    bench_.converter_silent = f.stuck_at_s >= 0.0 && run_time_s() >= f.stuck_at_s &&
                              run_time_s() < f.stuck_at_s + f.stuck_for_s;
    bench_.handwheel_tach_off =
        f.handwheel_tach_lost_at_s >= 0.0 && run_time_s() >= f.handwheel_tach_lost_at_s;
    if (started_s_ < 0.0) bench_.start_command();  // the hand waits at the switch
    over_ = over_ || !bench_.advance();
    return !over_;
  }

  Bytes arrived() override { return board_.output(); }
  bool streaming() const override { return streaming_; }
  bool over() const override { return over_; }
  bool switched() const override { return bench_.bench().switched(); }
  double time_s() const override { return bench_.moment().time_s; }
  double run_time_s() const override { return started_s_ < 0.0 ? -1.0 : time_s() - started_s_; }
  const Scenario& scenario() const override { return scenario_; }

 private:
  void overhear(std::uint8_t type) {
    if (type == kWireStop) streaming_ = false;
    if (type != kWireStart) return;
    streaming_ = true;
    if (started_s_ < 0.0) started_s_ = time_s();
    bench_.start_command();
  }

  Scenario scenario_;
  EmulatedBoard board_;
  BenchOnBoard bench_;
  WireDecoder overheard_{};
  double started_s_ = -1.0;
  bool streaming_ = false, over_ = false, reset_done_ = false;
};

void play(const std::vector<std::string>& words) {
  const std::vector<std::string> settings(words.begin() + 3, words.end());
  EmulatedRig rig(words[0], read_scenario(words[1], settings));
  LineOptions options;
  options.link = words[2];
  options.fast = true;
  options.wait_s = 10.0;
  play_on_line(rig, options);
}

}  // namespace
}  // namespace loadline::simrig

int main(int argc, char** argv) {
  if (argc < 4) {
    std::fprintf(stderr, "board_on_line IMAGE SCENARIO.ini LINK [section.key=value]...\n");
    return 2;
  }
  try {
    loadline::simrig::play(std::vector<std::string>(argv + 1, argv + argc));
  } catch (const std::exception& problem) {
    std::fprintf(stderr, "board_on_line: %s\n", problem.what());
    return 3;
  }
  return 0;
}
