// Sentences of the programs as the page says them: without commands to type.
#pragma once

#include <string>

namespace loadline {

/// Leaves out the clauses (between full stops, semicolons and colons) that name a command or an
/// option. Where nothing is left, `instead`.
std::string without_commands(const std::string& text, const std::string& instead);

/// A sentence of the program as the page shows it: in the language of the locale, without commands
/// to type; where nothing else is in it, that the terminal says more.
std::string on_page(const std::string& text);

}  // namespace loadline
