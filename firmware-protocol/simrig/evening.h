// A whole evening at the simulated bench: a rig that lies idle until it is started, and then plays
// what the host says it is about to record (wire.md, rigs that act).
//
// An evening file has lines `scene KIND SCENARIO.ini [section.key=value]…` for each kind of run,
// paths relative to the file, and `with KEY=VALUE section.key=value…` for what a wish changes
// ("with belt=ring belt.loss_nm=0.011"). `#` begins a comment; a value with blanks is quoted ("…").
#pragma once

#include <map>
#include <memory>
#include <string>
#include <vector>

#include "firmware-protocol/simrig/play.h"

namespace loadline::simrig {

/// What an evening file says. Throws ScenarioError that names file and line.
class Evening {
 public:
  explicit Evening(const std::string& path);
  /// The scenario for a wish (lines key=value); without a kind, or one without a scene: at rest.
  Scenario scene_for(const std::string& wish) const;

 private:
  struct Scene {
    std::string path;
    std::vector<std::string> settings;
  };
  std::string name_;
  std::map<std::string, Scene> scenes_;
  std::vector<std::pair<std::string, std::vector<std::string>>> with_;  // "belt=ring" → settings
};

/// Plays an evening: each start begins the scene that it asks for. One thread.
class EveningRig : public PlayedRig {
 public:
  EveningRig(Evening evening, std::uint64_t seed);

  void receive(const std::uint8_t* bytes, std::size_t size) override;
  bool advance() override;
  Bytes arrived() override;
  bool streaming() const override { return player_->streaming(); }
  bool over() const override { return false; }  // there is always another run
  bool switched() const override { return player_->switched() && !player_->over(); }
  double time_s() const override { return player_->time_s(); }
  double run_time_s() const override { return started_ ? player_->run_time_s() : -1; }
  const Scenario& scenario() const override { return player_->scenario(); }

 private:
  void obey(const WireFrame& frame);

  Evening evening_;
  std::uint64_t seed_;
  bool started_ = false;
  WireDecoder decoder_{};
  std::unique_ptr<Player> player_;
};

}  // namespace loadline::simrig
