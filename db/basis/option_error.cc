#include "db/basis/option_error.h"

#include <algorithm>
#include <map>

namespace loadline {
namespace {

namespace po = boost::program_options;

// A character that no template contains stands for the typed '%' while Boost fills it in.
constexpr char kStandIn = '\x01';

// Opens the protected member; nothing is ever made of this type.
struct Opened : po::error_with_option_name {
  static std::map<std::string, std::string>& typed(po::error_with_option_name& error) {
    return error.*(&Opened::m_substitutions);
  }
};

}  // namespace

std::string option_error_text(po::error& error) {
  auto* const filled_in = dynamic_cast<po::error_with_option_name*>(&error);
  if (!filled_in) return error.what();
  for (auto& [placeholder, text] : Opened::typed(*filled_in))
    std::replace(text.begin(), text.end(), '%', kStandIn);
  std::string sentence = error.what();
  std::replace(sentence.begin(), sentence.end(), kStandIn, '%');
  return sentence;
}

}  // namespace loadline
