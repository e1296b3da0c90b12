// What is wrong with an option, as a sentence for the person who typed it.
#pragma once

#include <boost/program_options.hpp>
#include <string>

namespace loadline {

/// What to type instead of what `error` complains of, without a full stop at its end. `options` are
/// those that could have been given; `dashes` stands before a name: "--" on a command line, "" for
/// the keys of a file.
///
/// Always ends: Boost fills what the person typed into its own template and then looks for
/// placeholders again, in the filled text as well, so that a value such as `%value%` is replaced by
/// itself until memory is used up.
std::string option_error_text(boost::program_options::error& error,
                              const boost::program_options::options_description& options,
                              const std::string& dashes);

}  // namespace loadline
