// Sentences of the report that stand in more than one place, or that must not change by accident.
#pragma once

#include <string>
#include <vector>

namespace loadline {

/// Usual cautions of this bench; they defer to local codes and licensed practice.
const std::vector<std::string>& care_sentences();

/// What an interval, a band and a dotted line mean here.
const std::vector<std::string>& reading_sentences();

/// With a capital at its beginning and a full stop at its end; other marks at the end stay.
std::string as_sentence(std::string words);

/// "2026-11-25 18:03 UTC" from the book's ISO 8601 time; unchanged when it is something else.
std::string day_and_minute(const std::string& iso_utc);

/// A curve's parameter as it is written in formulas: "omega_0" as "ω₀". Unknown names stay.
std::string parameter_symbol(const std::string& name);

/// What a parameter of a motor curve stands for, for a person at a bench; "" for an unknown name.
std::string parameter_meaning(const std::string& name);

}  // namespace loadline
