// Where the evening stands, in words for a terminal: what a program without arguments says.
#pragma once

#include <string>

#include "db/care/evening.h"

namespace loadline {

/// The next thing to type for a step: "loadline-logger record brake --motor 'Heron 70' --port
/// PATH".
std::string command_for(const EveningStep& step);

/// What the book holds and what is missing, a line for each part, and the next thing to type.
std::string evening_words(const Book& book);

/// The same of the book at `path`; empty where there is none yet.
std::string evening_of_book(const std::string& path);

}  // namespace loadline
