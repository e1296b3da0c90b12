#include "fit/report/pages/words.h"

#include <cctype>
#include <string_view>

#include "fit/equations/motor_equation.h"

namespace loadline {

const std::vector<std::string>& care_sentences() {
  static const std::vector<std::string> sentences = {
      ("Motors here run on mains voltage. Wiring, earthing and testing follow the electrical code "
       "of your country; where it asks for a licensed person, have one do it."),
      ("Guard belt, pulleys and brake drum. Keep fingers, sleeves, hair and cords away; take the "
       "needle out before a machine is driven."),
      "A held rotor overheats within seconds. Hold it for two seconds at most, then let it cool.",
      "Let nothing turn faster than its maker permits; flywheels and discs can burst.",
      "The figures below are measurements with limits, no permission to run a part at them."};
  return sentences;
}

const std::vector<std::string>& reading_sentences() {
  static const std::vector<std::string> sentences = {
      "A number in brackets is a 95 % interval: of a hundred such intervals about ninety-five hold "
      "the true value. Noise, calibration, zero drift, lag, inertia and supply are inside it as "
      "far as they are known.",
      "A band around a curve is the same for every point of it. Where a line is dotted nothing was "
      "measured; there it rests on the equation alone.",
      "'Unknown' means that the data cannot support a number, not that it is zero."};
  return sentences;
}

std::string parameter_symbol(const std::string& name) {
  const MotorParameter* const known = motor_parameter(name);
  return known ? known->symbol : name;
}

std::string parameter_meaning(const std::string& name) {
  const MotorParameter* const known = motor_parameter(name);
  return known ? known->meaning : "";
}

std::string as_sentence(std::string words) {
  if (words.empty()) return words;
  words[0] = static_cast<char>(std::toupper(static_cast<unsigned char>(words[0])));
  if (std::string_view(".!?:").find(words.back()) == std::string_view::npos) words += '.';
  return words;
}

std::string day_and_minute(const std::string& iso_utc) {
  if (iso_utc.size() < 20 || iso_utc[10] != 'T' || iso_utc.back() != 'Z') return iso_utc;
  return iso_utc.substr(0, 10) + " " + iso_utc.substr(11, 5) + " UTC";
}

}  // namespace loadline
