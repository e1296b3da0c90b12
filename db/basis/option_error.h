// What is wrong with an option, as a sentence.
#pragma once

#include <boost/program_options/errors.hpp>
#include <string>

namespace loadline {

/// `error.what()`, except that it always ends: Boost fills what the person typed into its template
/// and then looks for placeholders again, in the filled text as well, so that a value such as
/// `%value%` is replaced by itself until memory is used up.
std::string option_error_text(boost::program_options::error& error);

}  // namespace loadline
