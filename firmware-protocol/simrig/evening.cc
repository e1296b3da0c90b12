#include "firmware-protocol/simrig/evening.h"

#include <fmt/format.h>

#include <filesystem>
#include <fstream>
#include <iomanip>
#include <sstream>

namespace loadline::simrig {
namespace {

/// Words of a line; a value with blanks stands in double quotes.
std::vector<std::string> words_of(const std::string& line) {
  std::vector<std::string> words(1);
  bool quoted = false;
  for (const char c : line) {
    if (c == '#' && !quoted) break;
    if (c == '"')
      quoted = !quoted;
    else if (!quoted && (c == ' ' || c == '\t' || c == '\r'))
      words.emplace_back();
    else
      words.back() += c;
  }
  std::erase_if(words, [](const std::string& word) { return word.empty(); });
  return words;
}

/// The text behind "key=" in the lines of a wish; empty when it is not there.
std::string value_of(const std::string& wish, const std::string& key) {
  std::istringstream lines(wish);
  for (std::string line; std::getline(lines, line);)
    if (line.starts_with(key + "=")) return line.substr(key.size() + 1);
  return {};
}

bool holds_line(const std::string& wish, const std::string& wanted) {
  std::istringstream lines(wish);
  for (std::string line; std::getline(lines, line);)
    if (line == wanted) return true;
  return false;
}

}  // namespace

Evening::Evening(const std::string& path) : name_(path) {
  std::ifstream file(path);
  if (!file) throw ScenarioError(path + " cannot be read; give the path of an evening file.");
  const auto folder = std::filesystem::path(path).parent_path();
  std::string line;
  for (int number = 1; std::getline(file, line); ++number) {
    std::vector<std::string> words = words_of(line);
    if (words.empty()) continue;
    const std::string verb = words.front();
    if (words.size() < 3 || (verb != "scene" && verb != "with"))
      throw ScenarioError(fmt::format(
          "{}, line {}: write 'scene KIND SCENARIO.ini …' or 'with KEY=VALUE section.key=value …'.",
          path, number));
    if (verb == "scene")
      scenes_[words[1]] = {(folder / words[2]).string(), {words.begin() + 3, words.end()}};
    else
      with_.emplace_back(words[1], std::vector<std::string>(words.begin() + 2, words.end()));
  }
  if (!scenes_.contains("rest"))
    throw ScenarioError(path + " has no scene 'rest', which is what lies between the runs.");
  for (const auto& [kind, scene] : scenes_)
    scene_for("kind=" + kind);  // what does not read shows now
}

Scenario Evening::scene_for(const std::string& wish) const {
  auto scene = scenes_.find(value_of(wish, "kind"));
  if (scene == scenes_.end()) scene = scenes_.find("rest");
  // What is stored first wins, so the wish stands before the scene.
  std::vector<std::string> settings;
  if (const std::string mass = value_of(wish, "mass_g"); !mass.empty())
    settings.push_back("cell.mass_g=" + mass);
  if (const std::string way = value_of(wish, "direction"); !way.empty())
    settings.push_back("cell.direction=" + way);
  if (const std::string added = value_of(wish, "added_kgm2"); !added.empty())
    settings.push_back("machine.added_kgm2=" + added);
  for (const auto& [asked, changes] : with_)
    if (holds_line(wish, asked)) settings.insert(settings.end(), changes.begin(), changes.end());
  settings.insert(settings.end(), scene->second.settings.begin(), scene->second.settings.end());
  // A key that is set twice is set by the first.
  std::vector<std::string> unique;
  for (const std::string& setting : settings) {
    const std::string key = setting.substr(0, setting.find('=') + 1);
    const bool known = std::any_of(unique.begin(), unique.end(), [&](const std::string& earlier) {
      return earlier.starts_with(key);
    });
    if (!known) unique.push_back(setting);
  }
  Scenario scenario = read_scenario(scene->second.path, unique);
  scenario.rig.acts = true;
  scenario.name = name_;
  return scenario;
}

EveningRig::EveningRig(Evening evening, std::uint64_t seed)
    : evening_(std::move(evening)),
      seed_(seed),
      player_(std::make_unique<Player>(evening_.scene_for(""), seed)) {
  wire_decoder_start(&decoder_);
}

void EveningRig::receive(const std::uint8_t* bytes, std::size_t size) {
  WireFrame frame{};
  for (std::size_t at = 0; at < size;) {
    std::size_t used = 0;
    if (wire_decoder_take_block(&decoder_, bytes + at, size - at, &used, &frame)) obey(frame);
    at += used;
  }
}

void EveningRig::obey(const WireFrame& frame) {
  if (frame.type == kWireStart) {
    const std::string wish(reinterpret_cast<const char*>(frame.payload), frame.payload_size);
    started_ = true;
    // What the other program asks for may be nonsense: then the bench stays at rest.
    Scenario scene = evening_.scene_for("");
    try {
      scene = evening_.scene_for(wish);
    } catch (const ScenarioError&) {
    }
    const std::uint8_t sequence = player_->sequence();
    player_ = std::make_unique<Player>(scene, ++seed_, sequence);
  }
  std::uint8_t out[kWireMaxFrame];
  const std::size_t length =
      wire_frame_encode(frame.type, frame.sequence, nullptr, 0, out, sizeof out);
  player_->receive(out, length);
}

bool EveningRig::advance() { return player_->advance(); }

Bytes EveningRig::arrived() { return player_->arrived(); }

}  // namespace loadline::simrig
